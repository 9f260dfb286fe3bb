"""Tables of colour references by kind and of the daily look at a place."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make the tables of kinds' colours and of looks at places."""
    for statement in (
        # A colour reference that a person named for a kind, from healthy specimens of the ward
        # (a JSON list); the one before goes into the audit.
        """create table kind_colours (
            kind text primary key, L real not null, a real not null, b real not null,
            specimens text not null, reason text not null, by text not null default '',
            at text not null)""",
        # The daily look without a camera: all as yesterday, or `odd` says who was not and how
        # (a JSON object). What was odd stands in `care` besides, naming the look in its detail.
        """create table place_looks (
            id integer primary key, place text not null, at text not null,
            by text not null default '', odd text not null default '{}', undone_at text)""",
        "create index place_looks_by_time on place_looks(at)",
    ):
        db.execute(statement)
