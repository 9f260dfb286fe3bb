"""The ledger ward.db: its tables, made and changed only by migrations, and how it is opened.

SQLite with a rollback journal and full synchronisation: between two writes the ward is one single
file, which a synchronised folder or a backup copies whole (a write-ahead log would leave two more
files beside it that belong together).
"""

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlite_utils import Database, Migrations

from polypward.errors import BadInputError

__all__ = ["DATABASE", "audit", "dumps", "now_text", "open_ledger"]

DATABASE = "ward.db"
# Seconds that one program waits while another writes one photo's row.
BUSY_TIMEOUT_S = 10.0

migrations = Migrations("polypward")


@migrations()
def m001_first_tables(db: Database) -> None:
    """Make the tables of the first release."""
    for statement in (
        # `key` is the SHA-256 of the bytes; of a file without readable bytes it names the path.
        """create table photos (
            key text primary key, sha256 text not null, path text not null, bytes integer,
            first_seen text not null, exif_taken_at text, decoded integer not null default 0,
            tags text not null default '[]', manifest text not null default '{}',
            flags text not null default '{}')""",
        """create table specimens (
            specimen text primary key, batch text not null default '',
            supplier text not null default '', kind text not null default '',
            place text not null default '', water_system text not null default '',
            arrived_on text, cost real, expected_price real, as_is_price real, height_mm real,
            parent text not null default '', state text not null default 'held', left_on text,
            registered integer not null default 1, register_key text, first_named text not null)""",
        # One row a photo and specimen. Measures are kept even while nobody has said whose they
        # are; `measure_code` says why there are none.
        """create table readings (
            id integer primary key, key text not null references photos(key),
            specimen text not null default '', copy_path text not null default '',
            taken_at text, specimen_from text not null default '',
            placing text not null default '[]', placing_detail text not null default '',
            light_changed integer not null default 0,
            measure_code text not null default '', notes text not null default '[]',
            detail text not null default '', card text not null default '',
            card_serial text not null default '', mm_per_px real, tilt_deg real, camera_mm real,
            height_mm real, lamp text not null default '', colour_grade text, de00_mean real,
            de00_max real, live_mm2 real, live_mm2_sd real, bare_mm2 real,
            overgrown_mm2 real, live_cover real, live_cover_sd real, L real, a real, b real,
            tile_x_mm real, tile_y_mm real, tile_mm_per_px real, tile text not null default '',
            mask text not null default '', view text not null default '',
            open text not null default '', unsure real, photographer text not null default '',
            lab_sd real, bare_lab text, perimeter_mm real, palette blob,
            correction text not null default '{}', patch_residuals blob,
            inputs text not null, measured_at text not null, unique (key, specimen))""",
        "create index readings_by_specimen on readings(specimen, taken_at)",
        """create table assignments (
            key text primary key references photos(key), specimen text, dropped integer not null
            default 0, shift_minutes integer not null default 0, at text not null)""",
        """create table care (
            id integer primary key, specimen text not null references specimens(specimen),
            at text not null, what text not null, detail text not null default '{}',
            by text not null default '', unique (specimen, at, what, detail, by))""",
        """create table cards (
            serial text primary key, card text not null, scale_x real, scale_y real,
            saved_at text not null)""",
        """create table print_residuals (
            serial text primary key, photos integer not null, residuals text not null)""",
        """create table register_rows (
            register_key text primary key, row text not null, count integer not null)""",
        # What the last run knew of each specimen, so that `rounds` need not compute it again.
        """create table summaries (
            specimen text primary key references specimens(specimen), summary text not null)""",
        """create table audit (
            id integer primary key, at text not null, what text not null,
            subject text not null, old text, new text)""",
        """create trigger audit_is_kept before delete on audit
            begin select raise(abort, 'the audit is append-only'); end""",
        """create trigger audit_is_not_changed before update on audit
            begin select raise(abort, 'the audit is append-only'); end""",
    ):
        db.execute(statement)


def open_ledger(path: Path, *, create: bool) -> Database:
    """Open ward.db at `path`, bringing it to this version first; a copy is kept beside it.

    Raises
    ------
    BadInputError
        If it is missing and `create` is false, is no ledger of polypward, is damaged, or was
        written by a newer polypward.
    """
    existed = path.exists()
    if not existed and not create:
        raise BadInputError(f"{path}: no ward here")
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)
    try:
        for pragma in ("foreign_keys=on", "journal_mode=delete", "synchronous=full"):
            connection.execute(f"pragma {pragma}").close()
        db = Database(connection)
        _bring_up_to_date(db, path, existed=existed)
    except sqlite3.DatabaseError as error:
        connection.close()
        if "locked" in str(error):
            raise BadInputError(
                f"{path}: another program holds the ward open; close it and try again"
            ) from error
        raise BadInputError(
            f"{path}: this file cannot be read as a ward ({error}); restore it from a backup"
        ) from error
    except BaseException:
        connection.close()
        raise
    return db


def _bring_up_to_date(db: Database, path: Path, *, existed: bool) -> None:
    """Apply pending migrations, each in one transaction, after a copy of an existing ledger."""
    known = {migration.name for migration in migrations._migrations}
    newer = [done.name for done in migrations.applied(db) if done.name not in known]
    if newer:
        raise BadInputError(
            f"{path}: written by a newer polypward ({newer[-1]}); update polypward to open it"
        )
    pending = migrations.pending(db)
    if not pending:
        return
    tables = [name for name in db.table_names() if not name.startswith(("sqlite_", "_sqlite"))]
    if tables and not migrations.applied(db):
        raise BadInputError(f"{path}: a database, but no ward of polypward ({tables[0]} in it)")
    if existed and tables:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
        copy = path.with_name(f"ward-before-{pending[0].name}-{stamp}.db")
        with closing(sqlite3.connect(copy)) as target:
            db.conn.backup(target)
    migrations.apply(db)


def dumps(value: Any) -> str:
    """JSON with sorted keys and no spaces: the same text for the same value."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def now_text() -> str:
    """Return the time now, UTC, ISO 8601 to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def audit(db: Database, what: str, subject: str, *, old: Any = None, new: Any = None) -> None:
    """Append one line to the audit: what happened to which subject, before and after (JSON)."""
    db.execute(
        "insert into audit (at, what, subject, old, new) values (?, ?, ?, ?, ?)",
        (
            now_text(),
            what,
            subject,
            None if old is None else dumps(old),
            None if new is None else dumps(new),
        ),
    )
