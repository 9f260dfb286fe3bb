"""The ledger ward.db: its tables, made and changed only by migrations, and how it is opened.

SQLite with a rollback journal and full synchronisation: between two writes the ward is one single
file, which a synchronised folder or a backup copies whole (a write-ahead log would leave two more
files beside it that belong together).
"""

import json
import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from polypward.errors import BadInputError
from polypward_cli.ward.migrations import migrations

__all__ = ["DATABASE", "audit", "dumps", "now_text", "open_ledger"]

DATABASE = "ward.db"
# Seconds that one program waits while another writes one photo's row.
BUSY_TIMEOUT_S = 10.0


def open_ledger(path: Path, *, create: bool) -> Database:
    """Open ward.db at `path`, bringing it to this version first; a copy is kept beside it.

    Raises
    ------
    BadInputError
        If it is missing and `create` is false, is no ledger of polypward, is damaged, was written
        by a newer polypward, or by an older one and is read-only.
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
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # a damaged schema is no text
        connection.close()
        if "locked" in str(error):
            raise BadInputError(
                f"{path}: another program holds the ward open; close it and try again"
            ) from error
        raise BadInputError(
            f"{path}: this file cannot be read as a ward ({error}); bring the "
            "last backup back: polypward ward restore"
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
    if existed and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        raise BadInputError(
            f"{path}: written by an earlier polypward, and read-only here, so that it cannot be "
            "brought up to date; copy the ward to where you may write"
        )
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
