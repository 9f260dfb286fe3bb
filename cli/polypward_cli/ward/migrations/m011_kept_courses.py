"""What is kept of each course, and marks of what was changed since it was worked out.

Triggers set the marks, in the same transaction as the change and whichever command made it, so
that no change can be forgotten. A later step that makes one of these tables anew must make its
triggers anew as well.
"""

from sqlite_utils import Database

__all__ = ["migrate"]

_STALE = "insert or ignore into stale_courses (specimen) values ({row}.specimen);"
_LIGHT = (
    "insert into stale_lights (lamp, since) values ({row}.lamp, coalesce({row}.taken_at, '')) "
    "on conflict (lamp) do update set since = min(since, excluded.since);"
)
# Columns of `readings` that bear on which light is a lamp's usual one.
_LIT = "lamp, taken_at, key, correction, measure_code, colour_grade, copy_path"
# Columns of `readings` that a record of a reading is made from.
_READ = (
    "key, specimen, copy_path, taken_at, placing, placing_detail, light_changed, measure_code, "
    "notes, detail, card, card_serial, mm_per_px, tilt_deg, camera_mm, height_mm, lamp, "
    "colour_grade, de00_mean, de00_max, live_mm2, live_mm2_sd, bare_mm2, overgrown_mm2, "
    "live_cover, live_cover_sd, L, a, b, tile_x_mm, tile_y_mm, tile_mm_per_px, tile, mask, view, "
    "open, unsure, photographer, lab_sd, bare_lab, perimeter_mm, palette"
)


def migrate(db: Database) -> None:
    """Make the tables and triggers; everything counts as changed."""
    # `stands` is what a day's advice stands on, `repeat` how well the photos repeat, `lines` the
    # rows of readings.csv by photo, `score` the row of scores.csv, `inputs` a digest of all that
    # the course was worked out from. The specimen "" holds the photos of none.
    db.execute(
        """create table kept_courses (
            specimen text primary key, inputs text not null, stands text not null,
            repeat text not null, lines text not null, score text not null)"""
    )
    db.execute("create table kept_marks (name text primary key, value text not null)")
    db.execute("create table stale_courses (specimen text primary key)")
    # Lamps whose photos were changed, and the time of the first of them.
    db.execute("create table stale_lights (lamp text primary key, since text not null)")
    # The balance of the light of each photo (`light.balance`); null where it has none.
    db.execute(
        """create table balances (
            id integer primary key references readings(id) on delete cascade,
            red real, blue real)"""
    )
    db.execute(
        """create index readings_by_lamp on readings
            (lamp, taken_at, key, light_changed, measure_code, colour_grade, copy_path)"""
    )
    for table in ("specimens", "care", "readings"):
        db.execute(_trigger("insert", table, _STALE.format(row="new")))
        db.execute(_trigger("delete", table, _STALE.format(row="old")))
        both = _STALE.format(row="old") + _STALE.format(row="new")
        db.execute(_trigger("update", table, both, of=_READ if table == "readings" else ""))
    db.execute(
        _trigger(
            "update",
            "photos",
            "insert or ignore into stale_courses (specimen) "
            "select specimen from readings where key = new.key;",
            of="path, sha256",
        )
    )
    db.execute(_trigger("insert", "readings", _LIGHT.format(row="new"), name="lit"))
    db.execute(_trigger("delete", "readings", _LIGHT.format(row="old"), name="lit"))
    both = _LIGHT.format(row="old") + _LIGHT.format(row="new")
    db.execute(_trigger("update", "readings", both, name="lit", of=_LIT))
    db.execute(
        _trigger(
            "update",
            "readings",
            "delete from balances where id = new.id;",
            name="balanced",
            of="correction",
        )
    )
    db.execute("insert into stale_courses (specimen) select specimen from specimens")
    db.execute("insert or ignore into stale_courses (specimen) values ('')")
    db.execute("insert into stale_lights (lamp, since) select distinct lamp, '' from readings")


def _trigger(event: str, table: str, do: str, *, name: str = "stale", of: str = "") -> str:
    columns = f" of {of}" if of else ""
    return f"create trigger {table}_{name}_{event} after {event}{columns} on {table} begin {do} end"
