"""Claims against suppliers, what a batch cost as a whole, and which specimen wore which tag."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Add the tables of claims, of costs that a batch shares, and of tags worn."""
    for statement in (
        # One claim a batch. `moments` are the times of landing, delivery and opening; `claimed` is
        # what the sheet that was sent asks for; `photos` the folder its originals were found in.
        """create table claims (
            batch text primary key, state text not null default 'open',
            moments text not null default '{}', claimed real, unpriced integer not null default 0,
            credited real not null default 0, sent_at text, answered_at text, closed_at text,
            sheet text not null default '', sheet_sha256 text not null default '',
            photos text not null default '', note text not null default '')""",
        """create table claim_pieces (
            specimen text primary key references specimens(specimen), batch text not null,
            verdict text not null, note text not null default '', at text not null,
            by text not null default '')""",
        # What a photo shows besides; without a specimen it serves every piece of the batch.
        """create table claim_proofs (
            key text not null references photos(key), batch text not null,
            specimen text not null default '', kind text not null, at text not null,
            by text not null default '', primary key (key, batch, specimen, kind))""",
        """create table batch_costs (
            batch text not null, what text not null, amount real not null, at text not null,
            by text not null default '', primary key (batch, what))""",
        # A tag is reusable: a row is one stretch of time on one specimen; `until` null = still.
        """create table tags_worn (
            id integer primary key, tag text not null,
            specimen text not null references specimens(specimen),
            since text not null, until text, by text not null default '')""",
        "create index tags_worn_by_tag on tags_worn(tag, since)",
        "create index tags_worn_by_specimen on tags_worn(specimen)",
    ):
        db.execute(statement)
