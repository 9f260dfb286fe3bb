"""The tables of the phone page: who is paired, what came in, what was tapped."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make the sessions, the uploads and the taps of the phone page."""
    for statement in (
        # A session is known by the digest of its secret: whoever reads the ledger cannot use it.
        """create table phone_sessions (
            digest text primary key, name text not null default '', paired_at text not null,
            expires_at text not null, told integer not null default 0)""",
        # `token` names an upload from the moment its bytes are safe; `file` is its name in
        # photos/. `time_source`: photo (its own data), upload (when it came in), person.
        """create table phone_uploads (
            token text primary key, key text not null default '', file text not null,
            received_at text not null, time_source text not null default '',
            said text not null default '{}', lot text not null default '',
            place_in_lot integer not null default 0, tags text not null default '[]',
            settled integer not null default 0)""",
        "create index phone_uploads_by_lot on phone_uploads(lot, place_in_lot)",
        "create index phone_uploads_by_key on phone_uploads(key)",
        # What a tap did, in words, and what takes it back.
        """create table phone_taps (
            id integer primary key, at text not null, by text not null default '',
            words text not null, undo text not null, undone_at text)""",
    ):
        db.execute(statement)
