import csv
import json
import multiprocessing
import os
import signal
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.cli.conftest import NOW, Desk
from tests.cli.fakes import FakeEyes, photo

from polypward.cards import load_layout
from polypward.errors import BadInputError
from polypward.reasons import REASONS
from polypward.records import Specimen
from polypward_cli.manifest import Manifest
from polypward_cli.scan import find_photos
from polypward_cli.scoring import Options, score_folder
from polypward_cli.ward.tables import READING_COLUMNS, SCORE_COLUMNS


def rows(desk: Desk, name: str = "readings.csv") -> list[dict[str, str]]:
    with (desk.path / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def row(desk: Desk, photo: str) -> dict[str, str]:
    [found] = [one for one in rows(desk) if one["photo"] == photo]
    return found


def audits(desk: Desk) -> list[str]:
    with desk.ward() as ward:
        return [line["what"] for line in ward.db.query("select what from audit order by id")]


def test_a_folder_becomes_readings_scores_tiles_and_masks(desk: Desk) -> None:
    for week, cover in enumerate((0.9, 0.9, 0.89)):
        day = f"2026-05-{4 + 7 * week:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"IMG_{week}.jpg", day, cover=cover)
    closing = desk.score()
    assert len(closing.accepted) == 3
    assert list(rows(desk)[0]) == list(READING_COLUMNS)
    first = row(desk, "amber/IMG_0.jpg")
    assert first["specimen"] == "amber"
    assert first["taken_at"] == "2026-05-04T10:00:00+02:00"
    assert (first["status"], first["reasons"], first["height_mm"]) == ("accepted", "", "")
    assert (float(first["live_mm2"]), float(first["live_cover"])) == (900.0, 0.9)
    assert first["paling"] != ""
    with Image.open(desk.path / first["tile"]) as tile:
        assert (tile.size, tile.mode, tile.format) == ((40, 30), "RGB", "JPEG")
    with Image.open(desk.path / first["mask"]) as mask:
        assert (mask.size, mask.mode, mask.format) == ((40, 30), "L", "PNG")
        assert set(np.unique(np.asarray(mask))) == {0, 1}
    [score] = rows(desk, "scores.csv")
    assert list(score) == list(SCORE_COLUMNS)
    assert (score["specimen"], score["visits"], score["first_seen"]) == ("amber", "3", "2026-05-04")


def test_scoring_again_opens_no_photo_and_changes_no_byte(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    photo(desk.photos / "amber" / "b.jpg", rejected="no-card")
    photo(desk.photos / "IMG_1.jpg")
    desk.score()
    before = (desk.path / "readings.csv").read_bytes()
    desk.eyes.opened.clear()
    closing = desk.score()
    assert desk.eyes.opened == []
    assert closing.outcome.measured == 0
    assert (desk.path / "readings.csv").read_bytes() == before
    assert audits(desk) == []


def test_a_flat_folder_of_camera_names_creates_no_specimen(desk: Desk) -> None:
    for number in range(3):
        photo(desk.photos / f"IMG_{number:04d}.jpg")
    desk.score()
    assert rows(desk, "scores.csv") == []
    for one in rows(desk):
        assert (one["status"], one["reasons"], one["specimen"]) == ("rejected", "no-specimen", "")
        assert one["live_mm2"] == ""
        assert (desk.path / one["tile"]).is_file()
        assert one["taken_at"] != ""


@pytest.mark.parametrize(
    ("said", "code"),
    [
        ({"rejected": "no-card"}, "no-card"),
        ({"rejected": "tilted"}, "tilted"),
        ({"fails": True}, "measuring-failed"),
        ({"rejected": "no-such-code"}, "measuring-failed"),
        ({"exif": None}, "no-date"),
        ({"exif": "2026-06-03T12:00:00+00:00"}, "future-date"),
        ({"exif": "0001-01-01T00:00:00+14:00"}, "no-date"),
    ],
)
def test_a_rejected_photo_is_recorded_and_stops_nothing(
    desk: Desk, said: dict[str, object], code: str
) -> None:
    photo(desk.photos / "amber" / "bad.jpg", **said)  # type: ignore[arg-type]
    photo(desk.photos / "amber" / "good.jpg")
    desk.score()
    bad = row(desk, "amber/bad.jpg")
    assert (bad["status"], bad["reasons"], bad["live_mm2"]) == ("rejected", code, "")
    assert len(bad["sha256"]) == 64
    assert row(desk, "amber/good.jpg")["status"] == "accepted"


def test_the_closing_list_says_what_to_do_once_a_reason(desk: Desk) -> None:
    for number in range(3):
        photo(desk.photos / "amber" / f"{number}.jpg", rejected="no-card")
    photo(desk.photos / "amber" / "soft.jpg", rejected="blurred")
    lines = list(desk.score().lines())
    told = [line for line in lines if REASONS["no-card"].do in line]
    assert told == [f"  no-card, 3 photos: {REASONS['no-card'].means} {REASONS['no-card'].do}"]
    start = lines.index(told[0])
    named = [line.split()[0] for line in lines[start + 1 : start + 4]]
    assert named == ["amber/0.jpg", "amber/1.jpg", "amber/2.jpg"]
    assert lines[start + 4].startswith("  blurred, 1 photo: ")


def test_a_fault_of_ours_goes_to_the_log(desk: Desk) -> None:
    photo(desk.photos / "amber" / "bad.jpg", fails=True)
    closing = desk.score()
    assert "RuntimeError: a fault of ours" in (desk.path / "ward.log").read_text()
    assert "a fault of ours" in "\n".join(closing.lines())


def test_files_that_are_no_photos(desk: Desk) -> None:
    (desk.photos / "a").mkdir()
    (desk.photos / "a" / "empty.jpg").touch()
    (desk.photos / "b").mkdir()
    (desk.photos / "b" / "empty.jpg").touch()
    (desk.photos / "a" / "text.jpg").write_text("no picture")
    (desk.photos / "notes.txt").write_text("x")
    closing = desk.score()
    assert closing.outcome.scan.skipped == 1
    assert [one["reasons"] for one in rows(desk)] == ["empty", "not-a-picture", "empty"]
    assert rows(desk, "scores.csv") == []


def test_an_empty_file_that_fills_is_measured_and_its_husk_forgotten(desk: Desk) -> None:
    path = desk.photos / "amber" / "a.jpg"
    path.parent.mkdir()
    path.touch()
    desk.score()
    photo(path)
    desk.score()
    assert row(desk, "amber/a.jpg")["status"] == "accepted"


def test_wards_links_and_hidden_files_are_not_scanned(desk: Desk, tmp_path: Path) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    photo(desk.photos / "old ward" / "tiles" / "t.jpg")
    (desk.photos / "old ward" / "ward.db").touch()
    outside = photo(tmp_path / "outside" / "b.jpg")
    (desk.photos / "link").symlink_to(outside.parent, target_is_directory=True)
    (desk.photos / "amber" / "link.jpg").symlink_to(outside)
    photo(desk.photos / "amber" / "._a.jpg")
    os.mkfifo(desk.photos / "amber" / "pipe.jpg")
    scan = find_photos(desk.photos)
    assert [found.photo for found in scan.photos] == ["amber/a.jpg"]
    assert (scan.skipped, scan.wards) == (3, ("old ward",))


def test_the_same_file_twice_is_one_reading(desk: Desk) -> None:
    first = photo(desk.photos / "amber" / "a.jpg")
    (desk.photos / "amber" / "copy.jpg").write_bytes(first.read_bytes())
    closing = desk.score()
    assert [one["photo"] for one in rows(desk)] == ["amber/a.jpg"]
    assert closing.outcome.duplicates == 1


def test_the_same_file_under_a_second_specimen_is_a_conflict(desk: Desk) -> None:
    first = photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    copy = desk.photos / "blue" / "a.jpg"
    copy.parent.mkdir()
    copy.write_bytes(first.read_bytes())
    for _ in range(2):
        closing = desk.score()
        assert [(one["specimen"], one["reasons"]) for one in rows(desk)] == [
            ("amber", ""),
            ("blue", "specimen-conflict"),
        ]
        assert len(closing.rejected) == 1
    copy.unlink()
    desk.score()
    assert [one["specimen"] for one in rows(desk)] == ["amber"]


def test_a_renamed_folder_moves_no_photo_silently(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    (desk.photos / "amber").rename(desk.photos / "blue")
    desk.score()
    assert [(one["photo"], one["specimen"], one["reasons"]) for one in rows(desk)] == [
        ("amber/a.jpg", "amber", ""),
        ("blue/a.jpg", "blue", "specimen-conflict"),
    ]


def test_a_file_moved_within_its_specimen_keeps_its_reading(desk: Desk) -> None:
    old = photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    (desk.photos / "amber" / "week 2").mkdir()
    old.rename(desk.photos / "amber" / "week 2" / "a.jpg")
    desk.eyes.opened.clear()
    desk.score()
    assert [one["photo"] for one in rows(desk)] == ["amber/week 2/a.jpg"]
    assert desk.eyes.opened == []


def test_a_manifest_is_a_persons_word_and_stays(desk: Desk) -> None:
    photo(desk.photos / "IMG_1.jpg", None)
    said = {"specimen": "amber", "taken_at": "2026-05-01T09:00:00+02:00", "height_mm": 12.0}
    said |= {"view": "side", "open": "half", "photographer": "Kim", "lamp": "white"}
    closing = desk.score(manifest=Manifest({"img_1.jpg": said, "gone.jpg": {}}))
    assert closing.outcome.unused_rows == ("gone.jpg",)
    one = row(desk, "IMG_1.jpg")
    wanted = {"specimen": "amber", "taken_at": "2026-05-01T09:00:00+02:00", "height_mm": "12.0"}
    wanted |= {"view": "side", "open": "half", "photographer": "Kim", "lamp": "white"}
    assert {name: one[name] for name in wanted} == wanted
    desk.eyes.opened.clear()
    desk.score()
    assert row(desk, "IMG_1.jpg") == one
    assert desk.eyes.opened == []


def test_a_manifest_moves_a_photo_aloud(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    closing = desk.score(manifest=Manifest({"amber/a.jpg": {"specimen": "blue"}}))
    assert row(desk, "amber/a.jpg")["specimen"] == "blue"
    assert closing.outcome.moved == ("amber/a.jpg: from amber to blue",)
    assert audits(desk) == ["placed again"]


def test_a_height_of_zero_is_a_height(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score(height_mm=0.0)
    assert row(desk, "amber/a.jpg")["height_mm"] == "0.0"


@pytest.mark.parametrize(
    "options",
    [
        {"height_mm": 20.0},
        {"lamp": "blue"},
        {"water_mm": 50.0},
        {"mm_per_px": 0.1},
        {"outlines": {"amber": ((0.0, 0.0), (10.0, 0.0), (0.0, 10.0))}},
        {"outlines": {"amber/a.jpg": ((0.0, 0.0), (10.0, 0.0), (0.0, 10.0))}},
    ],
)
def test_a_changed_input_is_measured_again_and_the_old_value_kept(
    desk: Desk, options: dict[str, object]
) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    old = row(desk, "amber/a.jpg")
    desk.eyes.opened.clear()
    desk.score(**options)
    assert desk.eyes.opened == ["a.jpg"]
    with desk.ward() as ward:
        [line] = ward.db.query("select * from audit")
        assert line["what"] == "measured again"
        assert json.loads(line["old"])["live_mm2"] == float(old["live_mm2"])
    desk.score(**options)
    desk.score()
    assert desk.eyes.opened == ["a.jpg"]
    assert len(list((desk.path / "tiles").iterdir())) == 1


def test_another_model_and_other_card_values_are_measured_again(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg", serial="F1")
    desk.score()
    other = FakeEyes(version="fake-2")
    desk.score(eyes=other)
    assert other.opened == ["a.jpg"]
    card = replace(load_layout("frame"), serial="F1")
    with desk.ward() as ward:
        ward.save_card(card)
        ward.save_card(replace(card, serial="F2"))
    desk.score(eyes=other)
    with desk.ward() as ward:
        ward.save_card(replace(card, print_scale=(1.01, 0.99)))
        ward.save_card(replace(card, serial="F2", print_scale=(1.02, 0.99)))
        assert ward.cards()[0].print_scale == (1.01, 0.99)
    desk.score(eyes=other)
    desk.score(eyes=other)
    assert other.opened == ["a.jpg"] * 3
    assert audits(desk) == ["measured again"] * 2 + ["card changed"] * 2 + ["measured again"]


def test_a_lost_cut_out_is_made_again(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    tile = desk.path / row(desk, "amber/a.jpg")["tile"]
    tile.unlink()
    desk.score()
    assert tile.is_file()


def test_a_tag_names_the_specimen_and_brings_its_height(desk: Desk) -> None:
    with desk.ward() as ward:
        ward.save_specimen(Specimen(specimen="LAM-03", height_mm=15.0))
    photo(desk.photos / "IMG_1.jpg", tags=["lam-03"])
    desk.score()
    one = row(desk, "IMG_1.jpg")
    assert (one["specimen"], one["height_mm"]) == ("LAM-03", "15.0")
    desk.eyes.opened.clear()
    desk.score()
    assert desk.eyes.opened == []


def test_two_registered_ids_that_disagree_leave_the_photo_to_a_person(desk: Desk) -> None:
    with desk.ward() as ward:
        ward.save_specimen(Specimen(specimen="LAM-03"))
        ward.save_specimen(Specimen(specimen="LAM-04"))
    photo(desk.photos / "LAM-03" / "a.jpg", tags=["LAM-04"])
    closing = desk.score()
    one = row(desk, "LAM-03/a.jpg")
    assert (one["specimen"], one["reasons"]) == ("", "specimen-conflict")
    assert (desk.path / one["tile"]).is_file()
    assert "tag says LAM-04" in closing.rejected[0].detail


def test_an_exif_time_without_offset_is_noted(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg", "2026-05-04T10:00:00")
    desk.score()
    one = row(desk, "amber/a.jpg")
    assert (one["taken_at"], one["reasons"]) == ("2026-05-04T10:00:00+02:00", "zone-assumed")


def test_another_light_is_noted_and_stays_noted(desk: Desk) -> None:
    for day in range(1, 13):
        white = [0.8, 0.9, 0.7] if day < 8 else [0.5, 0.9, 1.0]
        exif = f"2026-05-{day:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"{day:02d}.jpg", exif, white=white, lamp="w")
    desk.score()
    noted = [one["photo"] for one in rows(desk) if "light-changed" in one["reasons"]]
    assert noted == [f"amber/{day:02d}.jpg" for day in range(8, 13)]
    assert {one["status"] for one in rows(desk)} == {"accepted"}


def test_print_residuals_are_used_from_the_next_run_on(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg", residuals=[[1.0, 2.0, 3.0], [None, None, None]])
    photo(desk.photos / "amber" / "b.jpg", residuals=[[3.0, 2.0, 1.0], [1.0, 1.0, 1.0]])
    photo(desk.photos / "amber" / "c.jpg", serial="F2")
    desk.score()
    with desk.ward() as ward:
        from polypward_cli.ward.inputs import print_residuals

        found = print_residuals(ward)
    assert set(found) == {"FAKE1", "F2"}
    np.testing.assert_allclose(found["FAKE1"], [[2, 2, 2], [1, 1, 1]])


def test_no_picture_at_all_is_an_error(desk: Desk) -> None:
    (desk.photos / "notes.txt").write_text("x")
    with pytest.raises(BadInputError, match="no pictures"):
        desk.score()
    with pytest.raises(BadInputError, match="is not there"):
        find_photos(desk.photos / "gone")
    with pytest.raises(BadInputError, match="is a file"):
        find_photos(desk.photos / "notes.txt")
    (desk.photos / "ward.db").touch()
    with pytest.raises(BadInputError, match="this is a ward"):
        find_photos(desk.photos)


def test_text_that_a_spreadsheet_would_run_is_quoted(desk: Desk) -> None:
    photo(desk.photos / "=HYPERLINK(x)" / "a.jpg", a="x")
    desk.score(lamp="@SUM(A1)")
    [one] = rows(desk)
    assert (one["specimen"], one["photo"], one["lamp"]) == (
        "'=HYPERLINK(x)",
        "'=HYPERLINK(x)/a.jpg",
        "'@SUM(A1)",
    )


def test_any_number_of_workers_gives_the_same_files(tmp_path: Path) -> None:
    written = []
    for workers in (1, 2):
        folder = tmp_path / str(workers)
        folder.mkdir()
        desk = Desk(folder)
        for number in range(9):
            name = f"{'amber' if number % 2 else 'blue'}/IMG_{number}.jpg"
            day = f"2026-05-{1 + number:02d}T10:00:00+02:00"
            seconds = 0.02 * (number % 3)
            photo(desk.photos / name, day, nonce=number, cover=0.9 - 0.01 * number, seconds=seconds)
        photo(desk.photos / "blue" / "bad.jpg", fails=True, nonce=-1)
        desk.score(workers=workers)
        files = {
            path.relative_to(desk.path).as_posix(): path.read_bytes()
            for path in sorted(desk.path.rglob("*"))
            if path.suffix in (".csv", ".jpg", ".png")
        }
        written.append(files)
    assert len(written[0]) == 2 + 3 * 9
    assert written[0] == written[1]


def test_a_worker_that_dies_costs_its_own_photo_only(desk: Desk) -> None:
    for number in range(6):
        photo(desk.photos / "amber" / f"{number}.jpg")
    photo(desk.photos / "amber" / "2x.jpg", kill=True)
    closing = desk.score(workers=2)
    assert [(one.photo, one.reasons) for one in closing.rejected] == [
        ("amber/2x.jpg", ("measuring-failed",))
    ]
    assert len(closing.accepted) == 6


def _score_slowly(path: Path) -> None:
    sys.stderr = Path(os.devnull).open("w")  # noqa: SIM115
    desk = Desk.__new__(Desk)
    desk.photos, desk.path, desk.eyes = path / "photos", path / "ward", FakeEyes()
    desk.score()


def test_a_killed_run_goes_on_where_it_was(desk: Desk, tmp_path: Path) -> None:
    for number in range(8):
        photo(desk.photos / "amber" / f"{number}.jpg", seconds=0.15)
    run = multiprocessing.get_context("spawn").Process(target=_score_slowly, args=(tmp_path,))
    run.start()
    deadline = time.monotonic() + 20
    while not list((desk.path / "masks").glob("*.png"))[3:] and time.monotonic() < deadline:
        time.sleep(0.02)
    assert run.pid is not None
    os.kill(run.pid, signal.SIGKILL)
    run.join()
    (desk.path / "tiles" / ".half.jpg.0000.part").write_bytes(b"half")
    closing = desk.score()
    assert 1 <= closing.outcome.measured <= 5
    assert len(closing.accepted) == 8
    assert len(list((desk.path / "tiles").iterdir())) == 8


def test_a_second_run_at_once_is_told(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    with (
        desk.ward() as ward,
        ward.working("score"),
        pytest.raises(BadInputError, match=r"polypward score \(process \d+, since .*\) is working"),
    ):
        desk.score()


def test_the_clock_of_the_first_sight_decides_on_the_future(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg", "2026-06-10T10:00:00+02:00")
    desk.score()
    with desk.ward() as ward, ward.working("score"):
        later = NOW.replace(month=7)
        score_folder(ward, desk.photos, eyes=desk.eyes, options=Options(workers=1), now=later)
        assert [one.reasons for one in ward.readings()] == [("future-date",)]
