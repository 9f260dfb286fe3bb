"""Table of the edge's advance between visits, so that pages need not work it out again."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make the table of steps."""
    # `found` is a JSON object; `stamp` names the tissue maps it was worked out from, so that one
    # of other maps is not shown.
    db.execute(
        """create table edge_steps (
            specimen text not null, view text not null, before_key text not null,
            after_key text not null, stamp text not null, found text not null,
            primary key (specimen, view, after_key))"""
    )
