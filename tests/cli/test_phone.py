"""The phone page's own logic: photos, lots, looks, care, settings, undo, through its HTTP."""

import json
import re
import socket
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from tests.cli.fakes import FakeEyes
from typer.testing import CliRunner

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward.water import read_entry
from polypward_cli.eyes import Opened
from polypward_cli.main import app
from polypward_cli.phone import inbox, uploads
from polypward_cli.phone.app import make_app
from polypward_cli.phone.guard import Limits
from polypward_cli.phone.inbox import waiting
from polypward_cli.phone.page import Phone
from polypward_cli.phone.serve import make_phone, open_door
from polypward_cli.phone.water_pages import UNITS
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import doses_of
from polypward_cli.water.testing import water_tests_of

with warnings.catch_warnings():  # it asks for another package than the one it has always used
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

JPEG = b"\xff\xd8\xff\xe0"


class PhoneEyes(FakeEyes):
    """Fake eyes for bytes that begin like a JPEG and go on as the fakes' JSON."""

    def open(self, path: Path) -> Opened:
        said = json.loads(path.read_bytes().removeprefix(JPEG))
        taken = said.get("exif")
        return Opened(datetime.fromisoformat(taken) if taken else None, said)


def shot(**said: Any) -> bytes:
    """The bytes of a photo that says what measuring finds; every one is another photo."""
    shot.count = getattr(shot, "count", 0) + 1  # type: ignore[attr-defined]
    return JPEG + json.dumps({"nonce": shot.count, **said}).encode()  # type: ignore[attr-defined]


@dataclass
class Thumb:
    """A paired phone and the ward behind it."""

    client: TestClient
    phone: Phone
    path: Path
    mark: str = ""
    sent: list[str] = field(default_factory=list)

    def post(self, path: str, data: dict[str, Any] | None = None, **more: Any) -> Any:
        values = {"mark": self.mark, **(data or {})}
        return self.client.post(path, data=values, follow_redirects=False, **more)

    def send(self, photo: bytes, *, name: str = "image.jpg", **said: str) -> str:
        """Send a photo; the address of its result."""
        answer = self.post("/upload", said, files={"photo": (name, photo, "image/jpeg")})
        assert answer.status_code == 303, answer.text
        return str(answer.headers["location"])

    def text(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))

    def ward(self) -> Ward:
        return Ward.open(self.path)

    def undo(self, location: str) -> Any:
        tap = re.search(r"did=(\d+)", location)
        assert tap
        return self.post("/undo", {"tap": tap[1], "back": "/"})


def pair(client: TestClient, phone: Phone, name: str = "Kim") -> str:
    """Pair a client; return the mark that its forms carry."""
    answer = client.post("/pair", data={"code": phone.pairing.code, "name": name})
    assert answer.status_code == 200
    found = re.search(r'form-mark" content="(\w+)"', answer.text)
    assert found
    return found[1]


@pytest.fixture
def thumb(tmp_path: Path) -> Iterator[Thumb]:
    path = tmp_path / "ward"
    with Ward.open(path, create=True, time_zone="Europe/Berlin") as ward:
        for number, place in enumerate(("rack 1", "rack 1", "tub"), start=1):
            ward.save_specimen(Specimen(specimen=f"LAM-0{number}", place=place, kind="meander"))
    phone = make_phone(path, port=8765, show_code=lambda code: None, eyes=PhoneEyes())
    served = make_app(phone, hosts=("testserver",), limits=Limits(burst=2000))
    with TestClient(served) as client:
        yield Thumb(client, phone, path, pair(client, phone))


def days_ago(days: float) -> str:
    return (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")


def test_an_accepted_photo_is_told_with_its_reading_beside_the_last(thumb: Thumb) -> None:
    """Covers 0.90 then 0.80, a week apart: 80 beside 90, and 10 points less."""
    thumb.send(shot(cover=0.9, exif=days_ago(7)), specimen="LAM-01")
    text = thumb.text(thumb.send(shot(cover=0.8, exif=days_ago(0)), specimen="LAM-01"))
    assert "Accepted" in text
    assert re.search(r"Live cover, % 80 90 \N{MINUS SIGN}10 points, more than noise", text)
    with thumb.ward() as ward:
        assert [one.photographer for one in ward.readings("LAM-01")] == ["Kim", "Kim"]


def test_a_rejected_photo_says_what_to_do_and_stays_in_the_ward(thumb: Thumb) -> None:
    text = thumb.text(thumb.send(shot(rejected="glare", exif=days_ago(0)), specimen="LAM-02"))
    assert "Not accepted" in text
    assert "Move the lamp or yourself until the reflections are gone." in text
    assert len(list((thumb.path / "photos").glob("*.jpg"))) == 1


def test_the_original_is_kept_byte_for_byte_under_a_name_of_ours(thumb: Thumb) -> None:
    import hashlib

    photo = shot(exif=days_ago(0))
    thumb.send(photo, name="../../evil <b>.jpg.exe", specimen="LAM-01")
    (kept,) = (thumb.path / "photos").glob("*.*")
    assert kept.read_bytes() == photo
    digest = hashlib.sha256(photo).hexdigest()
    assert re.fullmatch(rf"\d{{4}}-\d\d-\d\d_\d{{6}}-{digest}\.jpg", kept.name)


def test_the_tag_names_a_photo_of_which_nothing_was_said(thumb: Thumb) -> None:
    text = thumb.text(thumb.send(shot(tags=["LAM-03"], exif=days_ago(0))))
    assert "Accepted" in text
    assert "LAM-03" in text


def test_a_photo_without_date_is_taken_when_it_was_sent(thumb: Thumb) -> None:
    """It waited 3600 s on the phone: an hour is taken off, and the source is stored."""
    before = datetime.now(UTC)
    thumb.send(shot(), specimen="LAM-01", waited_s="3600")
    with thumb.ward() as ward:
        (reading,) = ward.readings("LAM-01")
        (row,) = ward.db.query("select time_source from phone_uploads")
    assert reading.taken_at is not None
    assert abs(reading.taken_at - before + timedelta(hours=1)) < timedelta(seconds=30)
    assert row["time_source"] == "upload"


def test_a_person_may_say_when_it_was_taken_and_take_that_back(thumb: Thumb) -> None:
    where = thumb.send(shot(), specimen="LAM-01")
    answer = thumb.post(f"{where}/when", {"at": "2026-01-12T10:30"})
    with thumb.ward() as ward:
        (reading,) = ward.readings("LAM-01")
        assert reading.taken_at is not None
        assert f"{reading.taken_at:%Y-%m-%d %H:%M}" == "2026-01-12 10:30"
    thumb.undo(answer.headers["location"])
    with thumb.ward() as ward:
        (reading,) = ward.readings("LAM-01")
        assert reading.taken_at is not None
        assert reading.taken_at.date() == datetime.now(ward.settings.zone).date()
        (row,) = ward.db.query("select time_source from phone_uploads")
    assert row["time_source"] == "upload"


def test_a_sent_photo_can_be_taken_out_and_sent_again(thumb: Thumb) -> None:
    photo = shot(exif=days_ago(0))
    where = thumb.send(photo, specimen="LAM-01")
    number = re.search(r'name="tap" value="(\d+)"', thumb.client.get(where).text)
    assert number
    thumb.post("/undo", {"tap": number[1]})
    assert "Taken out" in thumb.text(where)
    assert "Accepted" in thumb.text(thumb.send(photo, specimen="LAM-01"))
    assert len(list((thumb.path / "photos").glob("*.jpg"))) == 1


def test_whose_photo_it_is_can_be_said_later_and_taken_back(thumb: Thumb) -> None:
    where = thumb.send(shot(exif=days_ago(0)))
    assert "Nobody said which specimen this is." in thumb.text(where)
    answer = thumb.post(f"{where}/whose", {"specimen": "LAM-02"})
    assert "Accepted" in thumb.text(answer.headers["location"])
    thumb.undo(answer.headers["location"])
    assert "Nobody said which specimen this is." in thumb.text(where)


def test_how_it_was_taken_can_be_said_later_and_taken_back(thumb: Thumb) -> None:
    """A side photo sent as one from above: cover 0.7 beside 0.9; said to be from the side it is
    the first of its view, and beside nothing. What was said of it besides stays."""
    thumb.send(shot(cover=0.9, exif=days_ago(7)), specimen="LAM-01", view="top")
    where = thumb.send(shot(cover=0.7, exif=days_ago(0)), specimen="LAM-01", view="top")
    assert "This photo, from above" in thumb.text(where)
    assert "Live cover, % 70 90" in thumb.text(where)
    answer = thumb.post(f"{where}/how", {"view": "side", "open": "half"})
    text = thumb.text(answer.headers["location"])
    assert "This photo, from the side" in text
    assert "Live cover, % 70 n/a" in text
    assert "No earlier photo from this view" in text

    def told() -> list[tuple[str, str, str]]:
        with thumb.ward() as ward:
            return [(r.view, r.open, r.photographer) for r in ward.readings("LAM-01")]

    assert told() == [("top", "", "Kim"), ("side", "half", "Kim")]
    again = thumb.post(f"{where}/how", {"view": "side", "open": "out"})
    assert "Something else was said" in thumb.undo(answer.headers["location"]).text
    thumb.undo(again.headers["location"])
    thumb.undo(answer.headers["location"])
    assert told() == [("top", "", "Kim")] * 2
    assert thumb.post(f"{where}/how", {"view": "below"}).status_code == 422


def test_a_lot_is_proposed_by_its_tags_and_counts_once_confirmed(
    thumb: Thumb, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tag of LAM-01, two photos, tag of LAM-02, one photo; then all of it taken back."""
    monkeypatch.setattr(
        uploads,
        "loose_tags",
        lambda path, ids: tuple(json.loads(path.read_bytes().removeprefix(JPEG)).get("loose", ())),
    )
    lot = "ab" * 10
    photos = [
        shot(rejected="no-card", loose=["LAM-01"], exif=days_ago(0.1)),
        shot(exif=days_ago(0.099)),
        shot(exif=days_ago(0.098)),
        shot(rejected="no-card", loose=["lam-02"], exif=days_ago(0.097)),
        shot(exif=days_ago(0.096)),
    ]
    files = [("photo", ("image.jpg", photo, "image/jpeg")) for photo in photos]
    answer = thumb.post("/upload", {"lot": lot}, files=files)
    assert answer.headers["location"] == f"/lot/{lot}"
    page = _settled(thumb, f"/lot/{lot}")
    chosen = re.findall(r'<select id="is-(\w+)".*?</select>', page, re.S)
    values = [
        re.search(r'value="([^"]*)" selected', part)[1]  # type: ignore[index]
        for part in re.findall(r"<select id=.*?</select>", page, re.S)
    ]
    assert values == ["-tag-", "LAM-01", "LAM-01", "-tag-", "LAM-02"]
    said = {f"is-{token}": value for token, value in zip(chosen, values, strict=True)}
    done = thumb.post(f"/lot/{lot}", said)
    with thumb.ward() as ward:
        assert [one.status for one in ward.readings("LAM-01")] == ["accepted"] * 2
        assert [one.status for one in ward.readings("LAM-02")] == ["accepted"]
    thumb.undo(done.headers["location"])
    with thumb.ward() as ward:
        assert not ward.readings("LAM-01")
        assert len(ward.readings("")) == 5


def _settled(thumb: Thumb, path: str) -> str:
    for _ in range(400):  # 20 s: other work may hold the machine
        page = str(thumb.client.get(path).text)
        if 'http-equiv="refresh"' not in page:
            return page
        time.sleep(0.05)
    raise AssertionError("still being measured")


def test_two_hundred_photos_at_once_lose_nothing(thumb: Thumb) -> None:
    """200 uploads from eight threads of two phones: 200 answers, originals and readings."""
    other = TestClient(thumb.client.app)
    mark = pair(other, thumb.phone, "Mo")
    photos = [shot(exif=days_ago(1), cover=0.5) for _ in range(200)]

    def send(number: int) -> int:
        client, form = (thumb.client, thumb.mark) if number % 2 else (other, mark)
        answer = client.post(
            "/upload",
            data={"mark": form, "lot": "cd" * 10, "place_in_lot": str(number)},
            files={"photo": ("image.jpg", photos[number], "image/jpeg")},
            follow_redirects=False,
        )
        return int(answer.status_code)

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(send, range(200))) == [303] * 200
    assert len(list((thumb.path / "photos").glob("*.jpg"))) == 200
    thumb.phone.writer.submit(lambda ward: None).result(60)
    with thumb.ward() as ward:
        assert len(ward.readings()) == 200
        assert ward.db.table("phone_uploads").count == 200
    assert not waiting(thumb.path)


def test_what_came_in_before_a_crash_is_measured_at_the_next_start(tmp_path: Path) -> None:
    """Bytes and note are on the disk, nothing is in the ledger: as a killed program leaves it."""
    from polypward_cli.phone.inbox import keep

    path = tmp_path / "ward"
    with Ward.open(path, create=True) as ward:
        ward.save_specimen(Specimen(specimen="LAM-01"))
    import io

    at = datetime.now(UTC)
    keep(path, io.BytesIO(shot(exif=days_ago(0))), at=at, said={"specimen": "LAM-01"})
    phone = make_phone(path, port=1, show_code=lambda code: None, eyes=PhoneEyes())
    with TestClient(make_app(phone, hosts=("testserver",))):
        phone.writer.submit(lambda ward: None).result(20)
    assert not waiting(path)
    with Ward.open(path) as ward:
        assert [one.status for one in ward.readings("LAM-01")] == ["accepted"]
    assert "LAM-01" in (path / "scores.csv").read_text("utf-8")


def test_what_a_killed_page_half_received_is_taken_away(tmp_path: Path) -> None:
    """Half a photo, and a note without its photo: an hour old they go, young they stay."""
    import io
    import os

    at = datetime.now(UTC)
    arrival = inbox.keep(tmp_path, io.BytesIO(shot()), at=at, said={})
    (tmp_path / "photos" / arrival.file).unlink()
    half = tmp_path / "photos" / ".half.part"
    half.write_bytes(b"x")
    note = tmp_path / "photos" / "waiting" / f"{arrival.token}.json"
    inbox.clean(tmp_path)
    assert half.exists()
    assert note.exists()
    assert not inbox.waiting(tmp_path)
    for path in (half, note):
        os.utime(path, (0, 0))
    inbox.clean(tmp_path)
    assert not half.exists()
    assert not note.exists()


def test_tables_that_a_killed_page_left_behind_are_written_at_the_next_start(
    tmp_path: Path,
) -> None:
    path = tmp_path / "ward"
    with Ward.open(path, create=True) as ward:
        ward.save_specimen(Specimen(specimen="LAM-01"))
    mark = path / "photos" / "waiting" / "stale"
    mark.parent.mkdir(parents=True)
    mark.touch()
    phone = make_phone(path, port=1, show_code=lambda code: None, eyes=PhoneEyes())
    with TestClient(make_app(phone, hosts=("testserver",))):
        pass
    assert "LAM-01" in (path / "scores.csv").read_text("utf-8")
    assert not mark.exists()


def test_another_polypward_at_work_delays_a_photo_and_loses_nothing(
    thumb: Thumb, monkeypatch: pytest.MonkeyPatch
) -> None:
    from polypward_cli.phone import photo_pages

    monkeypatch.setattr(photo_pages, "ANSWER_WITHIN_S", 0.2)
    thumb.phone.writer._patience_s = 0.3
    thumb.phone.writer.submit(lambda ward: None).result(20)
    _until(lambda: _free(thumb))
    with thumb.ward() as ward, ward.working("score"):
        where = thumb.send(shot(exif=days_ago(0)), specimen="LAM-01")
        assert "The photo is safe" in thumb.text(where)
        answer = thumb.post("/look", {"place": "tub"})
        assert answer.status_code == 422
        assert "score" in answer.text
    for _ in range(100):
        if "Accepted" in thumb.text(where):
            break
        time.sleep(0.05)
    assert "Accepted" in thumb.text(where)


def test_a_look_at_a_place_and_its_undo(thumb: Thumb) -> None:
    said = {"place": "rack 1", "member": ["LAM-01", "LAM-02"], "state-LAM-02": "gaping"}
    answer = thumb.post("/look", said)
    assert "LAM-02 gaping" in thumb.text(answer.headers["location"])
    with thumb.ward() as ward:
        (look,) = ward.looks()
        assert (look.specimen, look.detail["state"], look.by) == ("LAM-02", "gaping", "Kim")
    thumb.undo(answer.headers["location"])
    with thumb.ward() as ward:
        assert not ward.looks()
        (row,) = ward.db.query("select undone_at from place_looks")
    assert row["undone_at"]


def test_a_feeding_of_a_place_a_second_asks_and_undo_takes_it_back(thumb: Thumb) -> None:
    thumb.post("/food", {"food": "krill", "unit": "g"})
    said = {"where": "rack 1", "what": "food:krill", "response": "took", "amount": "usual"}
    first = thumb.post("/feed", said)
    assert first.status_code == 303
    again = thumb.post("/feed", said)
    assert again.status_code == 422
    assert "fed already today" in again.text
    assert thumb.post("/feed", {**said, "again": "yes"}).status_code == 303
    with thumb.ward() as ward:
        fed = [one.specimen for one in ward.care() if one.what == "feeding"]
    assert fed == ["LAM-01", "LAM-02"] * 2
    thumb.undo(first.headers["location"])
    with thumb.ward() as ward:
        assert len([one for one in ward.care() if one.what == "feeding"]) == 2


def test_what_a_feeding_leaves_to_do_is_ticked_off_and_put_back(thumb: Thumb) -> None:
    thumb.post("/food", {"food": "krill", "unit": "g"})
    thumb.post("/feed", {"where": "LAM-01", "what": "food:krill"})
    number = re.search(r'name="tick" value="(\d+)"', thumb.client.get("/care").text)
    assert number
    answer = thumb.post("/tick", {"tick": number[1]})
    assert 'name="tick"' not in thumb.client.get("/care").text
    thumb.undo(answer.headers["location"])
    assert 'name="tick"' in thumb.client.get("/care").text


def test_an_inspection_says_what_was_found_or_that_nothing_was(thumb: Thumb) -> None:
    assert thumb.post("/inspect", {"where": "tub"}).status_code == 422
    answer = thumb.post("/inspect", {"where": "tub", "found": ["flatworm"]})
    with thumb.ward() as ward:
        assert [one.detail["found"] for one in ward.care("LAM-03")] == ["flatworm"]
    thumb.undo(answer.headers["location"])
    with thumb.ward() as ward:
        assert not ward.care("LAM-03")


def test_a_dip_is_noted_only_with_who_says_how_strong(thumb: Thumb) -> None:
    said = {"where": "LAM-01", "agent": "Dip A", "how": "dip", "concentration": "2 mL/L"}
    assert thumb.post("/treat", said).status_code == 422
    answer = thumb.post("/treat", {**said, "source": "label", "bath_minutes": "10"})
    assert answer.status_code == 303
    with thumb.ward() as ward:
        assert [one.what for one in ward.care("LAM-01")] == ["dip"]
    thumb.undo(answer.headers["location"])
    with thumb.ward() as ward:
        assert not ward.care("LAM-01")


def test_a_water_test_is_kept_whole_or_not_at_all_and_can_be_undone(thumb: Thumb) -> None:
    """8.4 dKH and 5 mg/L NO3-N, which is 5 x 62.00 / 14.007 = 22.13 mg/L NO3 (molar masses)."""
    said = {"new_system": "lagoon", "v-alkalinity": "8,4", "u-alkalinity": "dKH"}
    said |= {"v-nitrate": "5", "u-nitrate": "NO3-N", "u-phosphate": "nd"}
    bad = thumb.post("/water", {**said, "v-salinity": "1.025", "u-salinity": ""})
    assert bad.status_code == 422
    assert "in which unit" in bad.text
    answer = thumb.post("/water", said)
    with thumb.ward() as ward:
        found = {one.parameter: one for one in water_tests_of(ward, "lagoon")}
    assert found["alkalinity"].value == pytest.approx(8.4)
    assert found["nitrate"].value == pytest.approx(5 * 62.004 / 14.007, rel=1e-3)
    assert found["phosphate"].below
    assert len(found) == 3
    assert "Last 8.4 dKH" in thumb.text("/water")
    thumb.undo(answer.headers["location"])
    with thumb.ward() as ward:
        assert not water_tests_of(ward, "lagoon")


def test_the_water_page_shows_how_much_ammonia_is_un_ionised(thumb: Thumb) -> None:
    said = {"new_system": "lagoon", "v-ph": "8.1", "v-temperature": "25", "u-temperature": "C"}
    said |= {"v-salinity": "34", "u-salinity": "PSU", "v-ammonia": "0.2", "u-ammonia": "NH4-N"}
    assert thumb.post("/water", said).status_code == 303
    assert "un-ionised ammonia (NH3): about 5 % of all" in thumb.text("/water?system=lagoon")


def test_a_second_dose_of_a_day_stops_with_who_and_when(thumb: Thumb) -> None:
    thumb.post("/water", {"new_system": "lagoon", "v-ph": "8.1"})
    said = {"system": "lagoon", "what": "sodium bicarbonate", "amount": "12", "unit": "g"}
    first = thumb.post("/dose", said)
    assert first.status_code == 303
    second = thumb.post("/dose", said)
    assert second.status_code == 422
    assert "Kim" in second.text
    assert "--again" not in second.text
    assert "on purpose" in second.text
    thumb.undo(first.headers["location"])
    assert thumb.post("/dose", said).status_code == 303
    with thumb.ward() as ward:
        assert [one.amount for one in doses_of(ward)] == [12.0]


def test_what_was_said_later_is_not_undone_with_what_was_said_before(thumb: Thumb) -> None:
    where = thumb.send(shot(exif=days_ago(0)))
    first = thumb.post(f"{where}/whose", {"specimen": "LAM-01"}).headers["location"]
    thumb.post(f"{where}/whose", {"specimen": "LAM-02"})
    answer = thumb.undo(first)
    assert answer.status_code == 422
    assert "Something else was said" in answer.text
    assert "LAM-02" in thumb.text(where)


def test_every_unit_of_the_form_is_understood() -> None:
    values = {"temperature": "25", "salinity": "35", "ph": "8", "alkalinity": "8"}
    values |= {"calcium": "420", "magnesium": "1300", "potassium": "400"}
    for key, units in UNITS.items():
        for unit, _ in units:
            value = {"F": "77", "sg25/25": "1.026", "sg20/20": "1.026", "sg20/4": "1.026"}.get(unit)
            value = value or ("150" if "CaCO3" in unit else values.get(key, "0.2"))
            if unit == "nd":
                assert read_entry(f"{key}=nd").below
            elif unit:
                assert read_entry(f"{key}={value} {unit}").parameter == key


def test_settings_change_with_their_remarks_kept_and_can_be_undone(thumb: Thumb) -> None:
    before = (thumb.path / "ward.toml").read_text("utf-8")
    answer = thumb.post("/settings", {"lamp": 'white "5000" K', "height_mm": "12,5"})
    after = (thumb.path / "ward.toml").read_text("utf-8")
    with thumb.ward() as ward:
        assert ward.settings.lamp == 'white "5000" K'
        assert ward.settings.height_mm == 12.5
    assert [line for line in before.splitlines() if line.startswith("#")] == [
        line for line in after.splitlines() if line.startswith("#")
    ]
    thumb.undo(answer.headers["location"])
    assert (thumb.path / "ward.toml").read_text("utf-8") == before


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"time_zone": "Atlantis"}, "Atlantis"),
        ({"height_mm": "tall"}, "no number"),
        ({"height_mm": "5000"}, "0 to 1000"),
        ({"height_mm": "inf"}, "height_mm"),
    ],
)
def test_settings_that_cannot_be_are_not_written(
    thumb: Thumb, said: dict[str, str], told: str
) -> None:
    before = (thumb.path / "ward.toml").read_text("utf-8")
    answer = thumb.post("/settings", said)
    assert answer.status_code == 422
    assert told in answer.text
    assert (thumb.path / "ward.toml").read_text("utf-8") == before


def test_the_whole_file_is_checked_and_not_written_over_somebody_elses(thumb: Thumb) -> None:
    page = thumb.client.get("/settings").text
    seen = re.search(r'name="seen" value="(\w+)"', page)
    assert seen
    bad = thumb.post("/settings", {"text": "[photos]\nlamp = 3\n", "seen": seen[1]})
    assert bad.status_code == 422
    assert "ward.toml, line 2: lamp must be text" in bad.text.replace("&#34;", '"')
    thumb.post("/settings", {"owner": "Mo"})
    late = thumb.post("/settings", {"text": 'owner = "Kim"\n', "seen": seen[1]})
    assert "Somebody changed the settings meanwhile" in late.text


def test_the_round_is_shown_and_a_photo_takes_its_stop_away(thumb: Thumb) -> None:
    assert thumb.text("/").count("no accepted photo yet".capitalize()) == 3
    thumb.send(shot(exif=days_ago(0)), specimen="LAM-03")
    assert thumb.text("/").count("no accepted photo yet".capitalize()) == 2


def test_a_name_that_no_specimen_has_makes_none(thumb: Thumb) -> None:
    answer = thumb.post(
        "/upload", {"specimen": "LAM-77"}, files={"photo": ("a.jpg", shot(), "image/jpeg")}
    )
    assert answer.status_code == 422
    assert not list(thumb.path.glob("photos/*.jpg"))


def test_the_tables_on_disk_follow_after_a_rest(
    thumb: Thumb, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thumb.phone.writer, "_rest_s", 0.05)
    thumb.send(shot(exif=days_ago(0)), specimen="LAM-01")
    _until(thumb.phone.writer.refreshed)
    assert "LAM-01" in (thumb.path / "scores.csv").read_text("utf-8")


def _free(thumb: Thumb) -> bool:
    try:
        with thumb.ward() as ward, ward.working("test"):
            return True
    except BadInputError:
        return False


def _until(true: Callable[[], bool]) -> None:
    for _ in range(200):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("it never came")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--address", "192.0.2.4"], "--address is for --share"),
        (["--share", "--address", "203.0.113.9"], "Name an address of this computer"),
        (["--ward", "nowhere"], "no ward here"),
    ],
)
def test_the_command_says_what_it_cannot_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], told: str
) -> None:
    """203.0.113.0/24 is no computer's address (RFC 5737)."""
    monkeypatch.chdir(tmp_path)
    Ward.open(tmp_path / "ward", create=True).close()
    answer = CliRunner().invoke(app, ["phone", *options])
    assert answer.exit_code == 2
    assert told in answer.stderr


def test_a_port_that_is_taken_is_told_with_the_next_one(tmp_path: Path) -> None:
    Ward.open(tmp_path / "ward", create=True).close()
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BadInputError, match=f"--port {port + 1}"):
            open_door("127.0.0.1", port)
