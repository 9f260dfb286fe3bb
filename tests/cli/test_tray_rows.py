"""A photo of several tagged specimens in the ward: a row for each, which come and go together."""

import csv
import json
from dataclasses import dataclass, replace
from typing import Any

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, FakeSeen, photo

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.assigning import assign_photos
from polypward_cli.manifest import Manifest
from polypward_cli.ward.kept_courses import refresh
from polypward_vision.result import LeftOut


@dataclass(frozen=True)
class TraySeen(FakeSeen):
    others: tuple[FakeSeen, ...] = ()
    left_out: tuple[LeftOut, ...] = ()


@dataclass(frozen=True)
class TrayEyes(FakeEyes):
    """Measures every tag of a fake photo, but those in `unclear`; the covers are 0.9, 0.8, ...

    What it `insists` on stands in for what the photo says.
    """

    insists: dict[str, Any] | None = None

    def measure(self, opened, *, tray=True, **known) -> TraySeen:
        seen = super().measure(opened, **known)
        said = self.insists or opened.photo
        clear = [tag for tag in said.get("tags", ()) if tag not in said.get("unclear", ())]
        if not tray or len(said.get("tags", ())) < 2:
            return TraySeen(**{name: getattr(seen, name) for name in FakeSeen.__dataclass_fields__})
        parts = []
        for number, tag in enumerate(clear):
            cover = 0.9 - 0.1 * number
            reading = replace(seen.reading, live_cover=cover, live_mm2=1000 * cover)
            parts.append(replace(seen, reading=reading, tags=(tag,)))
        left = tuple(LeftOut(tag, "tag-unclear", "two near it") for tag in said.get("unclear", ()))
        first = {name: getattr(parts[0], name) for name in FakeSeen.__dataclass_fields__}
        return TraySeen(**first, others=tuple(parts[1:]), left_out=left)


@pytest.fixture
def tray(desk: Desk) -> Desk:
    desk.eyes = TrayEyes()
    photo(desk.photos / "tray" / "IMG_1.jpg", "2026-05-04T10:00:00+02:00",
          tags=["A1", "B2", "C3"], unclear=["C3"])  # fmt: skip
    desk.score()
    return desk


def readings(desk: Desk) -> dict[str, dict[str, str]]:
    with (desk.path / "readings.csv").open(encoding="utf-8", newline="") as stream:
        return {row["specimen"]: row for row in csv.DictReader(stream)}


def test_a_row_for_each_specimen_and_each_tag_left_out(tray: Desk) -> None:
    found = readings(tray)
    assert sorted(found) == ["A1", "B2", "C3"]
    assert {row["photo"] for row in found.values()} == {"tray/IMG_1.jpg"}
    assert (found["A1"]["live_cover"], found["B2"]["live_cover"]) == ("0.9", "0.8")
    assert (found["C3"]["status"], found["C3"]["reasons"]) == ("rejected", "tag-unclear")
    assert found["C3"]["live_mm2"] == ""
    for name in ("A1", "B2"):
        assert found[name]["taken_at"] == "2026-05-04T10:00:00+02:00"
        assert (tray.path / found[name]["tile"]).is_file()
        assert (tray.path / found[name]["mask"]).is_file()
    assert found["A1"]["tile"] != found["B2"]["tile"]
    with tray.ward() as ward:
        assert set(ward.courses()) == {"A1", "B2", "C3"}


def test_running_again_measures_nothing_and_changes_nothing(tray: Desk) -> None:
    before = readings(tray)
    tray.score()
    assert tray.eyes.opened == ["IMG_1.jpg"]
    assert readings(tray) == before


def test_measured_again_the_specimens_stay_with_their_tags(tray: Desk) -> None:
    # Truth: what was the second specimen is the first now, and one that was left out is clear.
    said = json.loads((tray.photos / "tray" / "IMG_1.jpg").read_text()) | {"unclear": ["A1"]}
    eyes = TrayEyes(insists=said)
    tray.score(eyes=eyes, height_mm=3)
    found = readings(tray)
    assert {name: row["status"] for name, row in found.items()} == {
        "A1": "rejected", "B2": "accepted", "C3": "accepted",
    }  # fmt: skip
    assert found["B2"]["live_cover"] == "0.9"
    with tray.ward() as ward:
        assert ward.db.execute("select count(*) from readings").fetchone()[0] == 3


def test_the_register_corrects_how_a_tag_is_written(tray: Desk) -> None:
    with tray.ward() as ward, ward.working("test"):
        ward.save_specimen(Specimen(specimen="b2"))
        ward.db.execute("delete from readings where specimen = 'B2'")
        ward.db.execute("delete from summaries where specimen = 'B2'")
        ward.db.execute("delete from specimens where specimen = 'B2'")
    tray.score(height_mm=2)
    assert sorted(readings(tray)) == ["A1", "C3", "b2"]


def test_a_tray_photo_is_dropped_and_shifted_as_one_and_given_to_nobody(tray: Desk) -> None:
    with tray.ward() as ward, ward.working("test"):
        with pytest.raises(BadInputError, match="A1, B2, C3"):
            assign_photos(ward, ["IMG_1.jpg"], to="A1")
        assign_photos(ward, ["IMG_1.jpg"], drop=True)
        refresh(ward)
    assert {row["status"] for row in readings(tray).values()} == {"rejected"}
    assert all("dropped" in row["reasons"] for row in readings(tray).values())


def test_a_manifest_that_names_one_specimen_makes_it_no_tray(tray: Desk) -> None:
    manifest = Manifest({"tray/img_1.jpg": {"specimen": "A1"}})
    tray.score(manifest=manifest)
    found = readings(tray)
    assert list(found) == ["A1"]
    assert found["A1"]["status"] == "accepted"
    with tray.ward() as ward:
        [line] = ward.db.query("select * from audit where what = 'no longer in the photo' limit 1")
        assert line["old"]
    count = len(tray.eyes.opened)
    tray.score(manifest=manifest)
    assert len(tray.eyes.opened) == count
