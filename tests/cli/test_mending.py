"""Photos whose specimen or time was wrong: put right, taken back, and those that wait."""

import html
import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from tests.cli.conftest import NOW, Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner, Result

from polypward.records import Specimen
from polypward_cli.eyes import Opened
from polypward_cli.life.clocks import clocks_off, tell_clocks
from polypward_cli.main import app
from polypward_cli.ward import Ward


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def assign(desk: Desk, *words: object) -> str:
    done = run("assign", *words, "--ward", desk.path)
    assert done.exit_code == 0, done.output
    return done.stdout


def figures(desk: Desk) -> tuple[bytes, bytes]:
    return (desk.path / "readings.csv").read_bytes(), (desk.path / "scores.csv").read_bytes()


def four_visits(desk: Desk) -> None:
    for day, cover in ((4, 0.9), (11, 0.9), (18, 0.9), (25, 0.5)):
        at = f"2026-05-{day:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"IMG_{day}.jpg", at, cover=cover)
        photo(desk.photos / "blue" / f"DSC_{day}.jpg", at, cover=0.8)
    score(desk)


def score(desk: Desk) -> None:
    """Score, and write the tables as of the clock that the commands go by."""
    desk.score()
    assert run("ward", "check", "--write-tables", "--ward", desk.path).exit_code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("--to", "blue"),
        ("--to", "new one"),
        ("--drop",),
        ("--shift", "-24:30"),
    ],
)
def test_an_assignment_taken_back_leaves_every_figure_as_it_was(
    desk: Desk, words: tuple[str, ...]
) -> None:
    four_visits(desk)
    before = figures(desk)
    assign(desk, "IMG_25.jpg", *words)
    assert figures(desk) != before
    told = assign(desk, "IMG_25.jpg", "--undo")
    assert "amber/IMG_25.jpg: amber, 2026-05-25T10:00" in told
    assert figures(desk) == before
    # And a run over the same folder leaves it so.
    desk.eyes.opened.clear()
    score(desk)
    assert desk.eyes.opened == []
    assert figures(desk) == before
    again = run("assign", "IMG_25.jpg", "--undo", "--ward", desk.path)
    assert (again.exit_code, "nothing to take back" in again.stderr) == (2, True)


def test_steps_are_taken_back_one_by_one(desk: Desk) -> None:
    four_visits(desk)
    photo(desk.photos / "IMG_9000.jpg", "2026-05-20T10:00:00+02:00")
    score(desk)
    states = [figures(desk)]
    for words in (("--to", "amber"), ("--shift", "01:00"), ("--drop",), ("--to", "blue")):
        assign(desk, "IMG_9000.jpg", *words)
        states.append(figures(desk))
    assert len(set(states)) == 5
    for state in reversed(states[:-1]):
        assign(desk, "IMG_9000.jpg", "--undo")
        assert figures(desk) == state
    with desk.ward() as ward:
        said = [row["what"] for row in ward.db.query("select what from audit order by id")]
        assert said.count("person said") == said.count("person took back") == 4


def test_the_figures_follow_a_photo(desk: Desk) -> None:
    """The 0.5 of 25 May raises a flag on amber; it is blue's, or nobody's, and the flag goes."""
    four_visits(desk)

    def flagged(name: str) -> bool:
        [line] = [line for line in figures(desk)[1].decode().splitlines() if line[:4] == name[:4]]
        return "sharp-loss" in line

    assert (flagged("amber"), flagged("blue")) == (True, False)
    assign(desk, "IMG_25.jpg", "--drop")
    assert (flagged("amber"), flagged("blue")) == (False, False)
    assign(desk, "IMG_25.jpg", "--undo")
    assert (flagged("amber"), flagged("blue")) == (True, False)


def test_all_photos_or_none(desk: Desk) -> None:
    four_visits(desk)
    before = figures(desk)
    for words in (("--to", "blue"), ("--undo",)):
        done = run("assign", "IMG_25.jpg", "nowhere.jpg", *words, "--ward", desk.path)
        assert done.exit_code == 2
        assert '"nowhere.jpg": no such photo' in done.stderr
    assert figures(desk) == before
    with desk.ward() as ward:
        assert ward.db.table("assignments").count == 0


def test_who_said_so_is_kept(desk: Desk) -> None:
    four_visits(desk)
    assign(desk, "IMG_25.jpg", "--to", "blue", "--by", "Kim")
    with desk.ward() as ward:
        [row] = ward.db.query("select new from audit where what = 'person said'")
        assert json.loads(row["new"])["by"] == "Kim"


def test_a_name_that_no_photo_bears_any_more_is_forgotten(desk: Desk) -> None:
    photo(desk.photos / "IMG_1.jpg")
    desk.score()
    assign(desk, "IMG_1.jpg", "--to", "ambr")
    assign(desk, "IMG_1.jpg", "--to", "amber")
    with desk.ward() as ward:
        assert [one.specimen for one in ward.specimens()] == ["amber"]
        ward.save_specimen(Specimen(specimen="kept"))
    assign(desk, "IMG_1.jpg", "--to", "kept")
    assign(desk, "IMG_1.jpg", "--undo")
    with desk.ward() as ward:  # a registered one stays without photos
        assert [one.specimen for one in ward.specimens()] == ["amber", "kept"]


def test_a_name_that_the_register_does_not_know_is_a_slip(desk: Desk) -> None:
    with desk.ward() as ward:
        ward.save_specimen(Specimen(specimen="LAM-03"))
    photo(desk.photos / "IMG_1.jpg")
    score(desk)
    before = figures(desk)
    done = run("assign", "IMG_1.jpg", "--to", "LAM-3", "--ward", desk.path)
    assert done.exit_code == 2
    assert '"LAM-3" is no specimen of this ward. Is it "LAM-03"? If it is a new one: --new' in (
        " ".join(done.stderr.split())
    )
    assert figures(desk) == before
    assert "LAM-3 is a new specimen" in assign(desk, "IMG_1.jpg", "--to", "LAM-3", "--new")


def test_no_photo_is_shifted_into_the_future(desk: Desk) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    score(desk)
    before = figures(desk)
    done = run("assign", "a.jpg", "--shift", "99999:00", "--ward", desk.path)
    assert (done.exit_code, "would be 2037-" in done.stderr) == (2, True)
    assert "in the future" in " ".join(done.stderr.split())
    assert figures(desk) == before


# Photos that wait for a name.


def waiting_desk(desk: Desk) -> None:
    with desk.ward() as ward:
        for name, kind, place in (
            ("amber", "brain", "rack 1"),
            ("blue", "cup", "rack 1"),
            ("cyan", "cup", "rack 2"),
        ):
            ward.save_specimen(Specimen(specimen=name, kind=kind, place=place))
    for name in ("amber", "blue", "cyan"):
        photo(desk.photos / name / "1.jpg", "2026-05-04T10:00:00+02:00")
    photo(desk.photos / "amber" / "2.jpg", "2026-05-11T10:00:00+02:00")
    photo(desk.photos / "rack 1" / "IMG_7.jpg", "2026-05-11T10:05:00+02:00")
    photo(desk.photos / "IMG_8.jpg", "2026-05-11T10:06:00+02:00", rejected="no-card")
    desk.score()


def waiting(desk: Desk, *words: object) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(assign(desk, "--json", *words))
    return found


def names(one: dict[str, object]) -> list[str]:
    return [other["specimen"] for other in one["candidates"]]  # type: ignore[attr-defined]


def test_photos_wait_beside_the_last_cut_outs_of_their_place(desk: Desk) -> None:
    waiting_desk(desk)
    seven, eight = waiting(desk)
    assert (seven["photo"], seven["near"], seven["reason"]) == (
        "rack 1/IMG_7.jpg",
        "rack 1",
        "no-specimen",
    )
    # Of rack 1; blue, not photographed that day, comes first.
    assert names(seven) == ["blue", "amber"]
    blue, amber = seven["candidates"]  # type: ignore[misc]
    assert (blue["cut_out_on"], amber["cut_out_on"]) == ("2026-05-04", "2026-05-11")
    assert (desk.path / blue["cut_out"]).is_file()
    assert (amber["seen_that_day"], blue["seen_that_day"]) == (True, False)
    assert (eight["reason"], names(eight)) == ("no-card", ["blue", "cyan", "amber"])
    assert names(waiting(desk, "--place", "RACK 2")[0]) == ["cyan"]
    assert names(waiting(desk, "--kind", "cup", "--place", "rack 1")[0]) == ["blue"]
    bad = run("assign", "--kind", "moon", "--ward", desk.path)
    assert (bad.exit_code, 'kind "moon"' in bad.stderr) == (2, True)


def test_nothing_is_picked_and_a_named_photo_waits_no_longer(desk: Desk) -> None:
    waiting_desk(desk)
    text = assign(desk)
    assert text.startswith("2 photos wait for a name. A person picks.")
    with desk.ward() as ward:
        assert ward.db.table("assignments").count == 0
    assign(desk, "IMG_7.jpg", "--to", "blue")
    assign(desk, "IMG_8.jpg", "--drop")
    assert assign(desk) == "No photo waits for a name.\n"


def test_a_name_that_a_shell_would_run_is_not_offered_for_copying(desk: Desk) -> None:
    photo(desk.photos / "IMG_0001.jpg", "2026-05-04T10:00:00+02:00")
    photo(desk.photos / "IMG_0002 $(touch x) `y`.jpg", "2026-05-05T10:00:00+02:00")
    desk.score()
    assign(desk)
    told = re.findall("<code>(.*?)</code>", (desk.path / "waiting.html").read_text("utf-8"))
    commands = {f"polypward assign {name} --to SPECIMEN" for name in ('"IMG_0001.jpg"', "PHOTO")}
    assert {html.unescape(one) for one in told} == commands


def test_the_page_shows_them_side_by_side(desk: Desk) -> None:
    with desk.ward() as ward:
        ward.save_specimen(Specimen(specimen="<b>amber&", kind='"cup"'))
    photo(desk.photos / "<i>x" / "IMG_1.jpg", "2026-05-04T10:00:00+02:00")
    photo(desk.photos / "IMG_2.jpg", "2026-05-11T10:00:00+02:00")
    desk.score()
    page = Path(re.findall(r"Side by side: (.*)", assign(desk))[0])
    text = page.read_text("utf-8")

    class Images(HTMLParser):
        found: list[str] = []  # noqa: RUF012

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            assert tag not in ("script", "b>amber", "i")
            self.found += [value or "" for name, value in attrs if name == "src"]

    images = Images()
    images.feed(text)
    assert len(images.found) >= 2
    assert all((page.parent / name).is_file() for name in images.found)
    assert "&lt;b&gt;amber&amp;" in text
    assert "<b>amber&" not in text
    assert "http" not in text


# Clocks.


def with_clock(desk: Desk, name: str, camera: str, *, taken: str, gps: str | None) -> None:
    """Put a photo straight into the ledger, as scoring leaves it."""
    with desk.ward() as ward:
        row = {"key": name, "sha256": name, "path": f"{name}.jpg", "first_seen": NOW.isoformat()}
        row |= {"exif_taken_at": taken, "camera": camera}
        ward.db.table("photos").insert(row | {"gps_at": gps})


def test_a_clock_that_is_off_is_told_once_a_camera(desk: Desk) -> None:
    for day in (1, 2, 3):
        # No zone in the photo: Berlin in winter, an hour before UTC. True: 09:00 UTC is 10:00.
        gps = f"2026-01-0{day}T09:00:00+00:00"
        for camera, taken in (
            ("Alpha One", "11:02"),
            ("Beta Two", "10:09"),
            ("Gamma Three", "09:38"),
        ):
            with_clock(desk, f"{camera}{day}", camera, taken=f"2026-01-0{day}T{taken}:00", gps=gps)
    with desk.ward() as ward:
        told = list(tell_clocks(ward))
        assert list(tell_clocks(ward)) == []
    assert len(told) == 2
    # By hand: 11:02 for 10:00 is 62 minutes ahead, 9:38 is 22 behind, 10:09 is within ten minutes.
    assert 'The clock of "Alpha One" is 01:02 hours ahead' in told[0]
    assert 'polypward assign --camera "Alpha One" --shift -01:02' in told[0]
    assert 'The clock of "Gamma Three" is 00:22 hours behind' in told[1]
    assert "--shift 00:22" in told[1]


def test_an_old_satellite_fix_is_no_wrong_clock(desk: Desk) -> None:
    """Indoors the fix may be hours old; then the camera seems ahead, each time by another span."""
    for number, gps in enumerate(("07:00", "05:10", "08:59")):
        with_clock(desk, str(number), "Alpha One", taken="2026-01-01T10:00:00",
                   gps=f"2026-01-01T{gps}:00+00:00")  # fmt: skip
    with_clock(desk, "4", "Delta", taken="2026-01-01T10:00:00", gps="2026-01-01T06:00:00+00:00")
    with desk.ward() as ward:
        assert clocks_off(ward) == []


def test_a_photo_from_after_it_came_in_shows_a_clock_that_is_ahead(desk: Desk) -> None:
    # The ward saw it at 12:00 UTC.
    with_clock(desk, "1", "Alpha One", taken="2026-06-01T14:40:00+02:00", gps=None)
    with_clock(desk, "2", "Beta Two", taken="2026-06-01T14:05:00+02:00", gps=None)
    with desk.ward() as ward:
        [one] = clocks_off(ward)
        assert (one.camera, one.ahead.total_seconds()) == ("Alpha One", 40 * 60)
        assert "at least" in one.sentence()


def test_all_photos_of_a_camera_are_shifted_at_once(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opened(path: Path) -> Opened:
        said = json.loads(path.read_bytes())
        return Opened(datetime.fromisoformat(said["exif"]), said, said["camera"])

    monkeypatch.setattr(type(desk.eyes), "open", lambda _, path: opened(path))
    for number, camera in enumerate(("Alpha One", "Alpha One", "Beta Two")):
        path = desk.photos / "amber" / f"{number}.jpg"
        photo(path, "2026-05-04T10:00:00+02:00", camera=camera)
    desk.score()
    told = assign(desk, "--camera", "alpha one", "--shift", "-01:02")
    assert told.count("2026-05-04T08:58+02:00") == 2
    with desk.ward() as ward:
        hours = [one.taken_at.astimezone(UTC).strftime("%H:%M") for one in _dated(ward)]
        assert sorted(hours) == ["06:58", "06:58", "08:00"]
    bad = run("assign", "--camera", "Nobody", "--shift", "1:00", "--ward", desk.path)
    assert "there are: Alpha One, Beta Two" in bad.stderr


def _dated(ward: Ward) -> list:  # type: ignore[type-arg]
    return [one for one in ward.readings() if one.taken_at is not None]


@pytest.mark.parametrize(
    "words",
    [
        ("a.jpg",),
        ("a.jpg", "--undo", "--drop"),
        ("--drop",),
        ("a.jpg", "--camera", "x", "--drop"),
        ("a.jpg", "--shift", "1 hour"),
        ("a.jpg", "--shift", "01:75"),
        ("a.jpg", "--to", "  "),
        ("a.jpg", "--to", "a/b"),
    ],
)
def test_wrong_usage_changes_nothing(desk: Desk, words: tuple[str, ...]) -> None:
    photo(desk.photos / "amber" / "a.jpg")
    desk.score()
    before = figures(desk)
    done = run("assign", *words, "--ward", desk.path)
    assert done.exit_code == 2
    assert "Traceback" not in done.output
    assert figures(desk) == before


def test_a_photo_waits_beside_those_that_were_there_then(desk: Desk) -> None:
    """Amber was split on the 10th, blue moved on the 8th, cyan lost on the 6th."""
    with desk.ward() as ward:
        for name in ("amber", "blue", "cyan"):
            ward.save_specimen(Specimen(specimen=name, place="rack 1"))
    for words in (
        ("split", "amber", "--into", "a", "--into", "b", "--at", "2026-05-10T09:00"),
        ("move", "blue", "--to", "rack 2", "--at", "2026-05-08T09:00"),
        ("lost", "cyan", "--at", "2026-05-06T09:00"),
    ):
        assert run("specimen", *words, "--ward", desk.path).exit_code == 0
    for day in (5, 7, 9, 11):
        photo(desk.photos / "rack 1" / f"IMG_{day}.jpg", f"2026-05-{day:02d}T10:00:00+02:00")
    desk.score()
    assert [names(one) for one in waiting(desk)] == [
        ["amber", "blue", "cyan"],
        ["amber", "blue"],
        ["amber"],
        ["a", "b"],
    ]
    assert [names(one) for one in waiting(desk, "--place", "rack 2")] == [
        [],
        [],
        ["blue"],
        ["blue"],
    ]
