"""What wards lack that were made while the steps before this one were being written."""

from sqlite_utils import Database

from polypward_cli.ward.migrations.m002_life import steps_of_the_audit

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Add a column, an index, and the steps of assignments made before there were any."""
    db.execute("create index if not exists care_by_word on care(what, at)")
    if "ended_by" not in db.table("treatments").columns_dict:
        db.execute("alter table treatments add column ended_by text not null default ''")
    taken_back = "select 1 from audit where what = 'person took back'"
    if not db.table("assignment_steps").count and not db.execute(taken_back).fetchone():
        steps_of_the_audit(db)
