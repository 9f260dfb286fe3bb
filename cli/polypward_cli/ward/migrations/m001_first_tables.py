"""The tables of the first release."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make photos, specimens, readings, care, cards, register rows, summaries and the audit."""
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
