"""What a specimen's life needs: unpacking, papers, where it stood first, steps to take back."""

import json

from sqlite_utils import Database

__all__ = ["migrate", "steps_of_the_audit"]


def migrate(db: Database) -> None:
    """Add columns to specimens and photos, and tables of unpackings, stands and assignments."""
    for column in ("box", "permit", "light", "unpacked_as", "note"):
        db.execute(f"alter table specimens add column {column} text not null default ''")
    # The time of the photo's satellite fix, UTC, where it has one.
    db.execute("alter table photos add column gps_at text")
    for statement in (
        # What a bag or box was like when it was opened; a corrected row replaces the one it names.
        """create table unpackings (
            id integer primary key, batch text not null, box text not null default '',
            at text not null, bag_temp_c real, bag_salinity real, bag_ph real, transit_hours real,
            note text not null default '', by text not null default '',
            unique (batch, box, at))""",
        # Where a specimen stood before its first move, so that a move can be taken back.
        """create table first_stands (
            specimen text primary key references specimens(specimen),
            place text not null, water_system text not null, light text not null)""",
        # A stack for each photo: what a person said before and after, and where the photo was.
        """create table assignment_steps (
            id integer primary key, key text not null references photos(key), at text not null,
            by text not null default '', before text, after text,
            specimen_before text not null default '', from_before text not null default '')""",
        "create index assignment_steps_by_key on assignment_steps(key)",
        # Cameras whose clock was found off, and by how much it was told.
        """create table clocks_told (
            camera text primary key, minutes_ahead integer not null, told_at text not null)""",
        "create index specimens_by_place on specimens(place)",
    ):
        db.execute(statement)
    steps_of_the_audit(db)


def steps_of_the_audit(db: Database) -> None:
    """Make steps of what persons said before there were any: the audit told it all."""
    rows = list(
        db.query(
            "select id, at, what, subject, old, new from audit "
            "where what in ('person said', 'assigned') order by id"
        )
    )
    for number, row in enumerate(rows):
        if row["what"] != "person said":
            continue
        moved = next((one for one in rows[number + 1 :] if one["subject"] == row["subject"]), None)
        # Where the photo was is told by the change that followed; without one it was there.
        was = {"specimen": json.loads(row["new"])["specimen"] or "", "specimen_from": "assigned"}
        if moved is not None and moved["what"] == "assigned":
            was = json.loads(moved["old"])
        db.execute(
            "insert into assignment_steps (key, at, before, after, specimen_before, from_before) "
            "select ?, ?, ?, ?, ?, ? where exists (select 1 from photos where key = ?)",
            [
                *(row["subject"], row["at"], row["old"], row["new"]),
                *(was["specimen"], was["specimen_from"], row["subject"]),
            ],
        )
