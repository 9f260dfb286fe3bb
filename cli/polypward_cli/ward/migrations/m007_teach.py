"""Corrected maps and the ward's own model, cameras, several specimens in one photo."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make corrected_maps, ward_models, cameras, card_events; parts of tray photos."""
    for statement in (
        # A person's map of a cut-out. `plane` leads from its card mm to full-size pixels of the
        # photo, so that it fits however the photo is measured later. `part` is the tag of one
        # specimen among several, "" where the photo shows one.
        """create table corrected_maps (
            key text not null references photos(key), part text not null default '',
            frame text not null, plane text, mask blob not null, by text not null default '',
            at text not null, primary key (key, part))""",
        # The newest row with `used` is the ward's own model, if its base is the one in use.
        """create table ward_models (
            id integer primary key, at text not null, by text not null default '',
            base_version text not null, version text not null, weights blob,
            maps integer not null, figures text not null, used integer not null)""",
        """create table cameras (
            camera text primary key, focal_35mm real not null, lens text not null,
            photos integer not null, rms_px real not null, at text not null)""",
        """create table card_events (
            id integer primary key, serial text not null, at text not null, what text not null,
            detail text not null default '{}', by text not null default '')""",
        # Tags of the specimens that a photo shows side by side, JSON; the first one's reading is
        # the row without `part`.
        "alter table photos add column tray text not null default '[]'",
        "alter table readings add column part text not null default ''",
    ):
        db.execute(statement)
    # Some wards got it by the step of a specimen's life.
    if "camera" not in db.table("photos").columns_dict:
        db.execute("alter table photos add column camera text not null default ''")
