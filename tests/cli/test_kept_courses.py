"""Courses worked out only where something changed are those of working out everything."""

import random
import re
import shutil
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from polypward.errors import BadInputError
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.course_notes import name_kind_colour
from polypward_cli.life.undo import withdraw
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import behind, pooled_of, refresh
from polypward_cli.ward.ledger import dumps
from polypward_cli.ward.rows import row_of_measures

FIRST = datetime(2026, 3, 2, 12, tzinfo=UTC)
NAMES = ("amber", "blue", "coral", "dusk", "=ember", "fern")
TABLES = ("kept_courses", "summaries")


def add_photo(ward: Ward, specimen: str, day: int, rng: np.random.Generator) -> None:
    """Write a photo's rows as scoring would have."""
    at = FIRST + timedelta(days=day, minutes=int(rng.integers(600)))
    cover = float(np.clip(rng.normal(0.85, 0.05), 0, 1))
    key = f"{int(rng.integers(1 << 60)):064x}"
    reading = Reading(
        photo=f"{key[-8:]}.jpg",
        sha256=key,
        card="frame",
        card_serial="C1",
        colour_grade="relative",
        live_mm2=1000 * cover,
        bare_mm2=1000 * (1 - cover),
        overgrown_mm2=0.0,
        live_cover=cover,
        live_cover_sd=0.01,
        L=50 + float(rng.normal(0, 4)),
        a=8.0,
        b=18.0,
        lab_sd=0.7,
        bare_lab=(86.0, 0.5, 7.0),
        live_palette=rng.normal((50, 8, 18, 20), 1, (20, 4)).astype(np.float32),
    )
    white = [0.8, 0.9, 0.85] if rng.random() < 0.8 else [0.5, 0.9, 1.2]
    photo = {"key": key, "sha256": key, "path": reading.photo, "decoded": 1}
    row = {"key": key, "specimen": specimen, "taken_at": at.isoformat(), "lamp": "white"}
    row |= {"correction": dumps({"white": white}), "inputs": "{}", "view": "top"}
    with ward.db.atomic():
        ward.db.table("photos").insert(photo | {"first_seen": at.isoformat()})
        ward.db.table("readings").insert(
            row_of_measures(reading) | row | {"measured_at": at.isoformat()}
        )


def make_ward(path: Path, rng: np.random.Generator) -> None:
    with Ward.open(path, create=True, time_zone="UTC") as ward, ward.working("test"):
        for i, name in enumerate(NAMES):
            ward.save_specimen(
                Specimen(specimen=name, kind="brain" if i % 2 else "button", place=f"rack {i % 2}")
            )
            for visit in range(5):
                add_photo(ward, name, 7 * visit, rng)
        add_photo(ward, "", 3, rng)
        add_photo(ward, "nobody knows it", 3, rng)
        ward.db.execute(
            "update readings set measure_code = 'blurred' where specimen like 'nobody%'"
        )
        refresh(ward)


def state(ward: Ward) -> dict[str, object]:
    """Return all that is kept, field by field, and both tables."""
    rows: dict[str, object] = {
        f"{name} {row['specimen']}": row
        for name in TABLES
        for row in ward.db.query(f"select * from {name}")
    }
    files = {name: (ward.path / name).read_text() for name in ("readings.csv", "scores.csv")}
    return rows | files | {"pooled": pooled_of(ward)}


def worked_out_anew(path: Path, day: datetime) -> dict[str, object]:
    """Return the same of a copy of the ward that keeps nothing and has no mark of any light."""
    copy = path.with_name("copy")
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for name in ("ward.db", "ward.toml"):
        shutil.copy(path / name, copy)
    with Ward.open(copy, today=day.date()) as ward, ward.working("test"):
        with ward.db.atomic():
            for table in (*TABLES, "kept_marks", "balances", "stale_courses", "stale_lights"):
                ward.db.execute(f"delete from {table}")
            ward.db.execute("update readings set light_changed = 0")
            ward.db.execute("insert or ignore into stale_lights values ('white', '')")
            ward.db.execute("insert or ignore into stale_lights values ('blue', '')")
        refresh(ward)
        return state(ward)


def note(ward: Ward, specimen: str, what: str, at: datetime, /, **detail: str) -> None:
    ward.add_care(CareEvent(specimen=specimen, at=at, what=what, detail=detail))


def move(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    note(ward, held(ward, rng), "move", at, to=f"rack {rng.integers(3)}")


def feed_a_place(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    for one in ward.specimens():
        if one.place == "rack 0" and one.state == "held":
            note(ward, one.specimen, "feeding", at, eaten=str(rng.choice(["yes", "no"])))


def treat(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    note(ward, held(ward, rng), "treatment", at, name="dip", status="open")


def split(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    name = held(ward, rng)
    piece = f"{name}-{rng.integers(1 << 30)}"
    ward.save_specimen(Specimen(specimen=piece, parent=name, kind="brain"))
    note(ward, name, "split", at, children=f"{name} {piece}")


def photo(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    add_photo(ward, held(ward, rng), (at - FIRST).days, rng)


def early_photo(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    add_photo(ward, str(rng.choice(["", "amber", "blue"])), -9, rng)


def reassign(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    ids = [row["id"] for row in ward.db.query("select id from readings order by id")]
    with ward.db.atomic():
        ward.db.table("readings").update(rng.choice(ids).item(), {"specimen": held(ward, rng)})


def other_lamp(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    with ward.db.atomic():
        ward.db.execute(
            "update readings set lamp = 'blue' where id % 7 = ?", [int(rng.integers(7))]
        )


def drop(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    with ward.db.atomic():
        ward.db.execute("delete from readings where id % 11 = ?", [int(rng.integers(11))])


def other_path(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    with ward.db.atomic():
        ward.db.execute("update photos set path = 'a/' || path where rowid = 3")


def register(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    name = f"new-{rng.integers(1 << 30)}"
    ward.save_specimen(Specimen(specimen=name, kind="button", arrived_on=at.date()))


def take_out(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    for one in ward.specimens():
        if one.specimen.startswith("new-"):
            with suppress(BadInputError):  # it has photos or entries
                withdraw(ward, [one.specimen], by="")


def kind_colour(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    name_kind_colour(ward, "brain", ["blue"], reason="", at=at, by="")


def setting(ward: Ward, at: datetime, rng: np.random.Generator) -> None:
    path = ward.path / "ward.toml"
    days = f"interval_days = {rng.integers(4, 9)}"
    text, count = re.subn("(?m)^#? ?interval_days = .*$", days, path.read_text(), count=1)
    assert count
    path.write_text(text, encoding="utf-8")


def held(ward: Ward, rng: np.random.Generator) -> str:
    return str(rng.choice([one.specimen for one in ward.specimens() if one.state == "held"]))


Entry = Callable[[Ward, datetime, np.random.Generator], None]
ENTRIES: tuple[Entry, ...] = (
    *(move, feed_a_place, treat, split, photo, photo, early_photo, reassign, other_lamp, drop),
    *(other_path, register, take_out, kind_colour, setting),
)


@pytest.mark.parametrize("seed", range(4))
def test_after_any_entries_the_kept_courses_are_those_of_working_out_all(
    seed: int, tmp_path: Path
) -> None:
    rng, order = np.random.default_rng(seed), random.Random(seed)
    path = tmp_path / "ward"
    make_ward(path, rng)
    at = FIRST + timedelta(days=40)
    for _ in range(8):
        at += timedelta(hours=order.choice([1, 30, 200]))
        with Ward.open(path, today=at.date()) as ward, ward.working("test"):
            for entry in order.choices(ENTRIES, k=order.randint(1, 3)):
                entry(ward, at, rng)
        with Ward.open(path, today=at.date()) as ward, ward.working("test"):
            assert behind(ward)
            refresh(ward)
            assert not behind(ward)
            kept = state(ward)
        assert kept == worked_out_anew(path, at)
