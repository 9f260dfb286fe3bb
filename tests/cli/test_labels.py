import json
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner, Result

from polypward.cards import LAYOUTS, load_layout
from polypward.errors import BadInputError
from polypward.tags import LAST_TAG, MARK_MM, number_of_tag, tag_called, tag_of_number
from polypward_cli.labels.page import NUMBER_MM, labels_pdf, sheet_called, sheets, tags_pdf
from polypward_cli.labels.worn import marks_in_use, put_tag, tags_worn, take_tag
from polypward_cli.main import app
from polypward_vision.codes import read_tags
from polypward_vision.tag_marks import find_tag_marks

PX_PER_MM = 12.0


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def page(pdf: bytes, number: int = 0) -> np.ndarray:
    """A page as printed: grey pixels (rows, cols) at `PX_PER_MM`."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        sheet = document[number].render(scale=PX_PER_MM * 25.4 / 72)
        return cv2.cvtColor(sheet.to_numpy(), cv2.COLOR_BGR2GRAY)
    finally:
        document.close()


TO_PX = np.diag([PX_PER_MM, PX_PER_MM, 1.0])


def test_tags_keep_apart_from_the_cards() -> None:
    cards = {marker.id for name in LAYOUTS for marker in load_layout(name).markers}
    assert cards == {*range(310, 318), *range(330, 334)}
    assert not cards & set(range(1, LAST_TAG + 1))


def test_names_of_tags() -> None:
    assert {tag_called(text) for text in ("17", "017", "T17", "t 17", " T017 ")} == {"T17"}
    assert (number_of_tag("T17"), number_of_tag("17"), number_of_tag("T300")) == (17, None, None)
    for text in ("0", "300", "x", "-1", "1.5", "amber"):
        with pytest.raises(BadInputError):
            tag_called(text)
    with pytest.raises(BadInputError, match="from 1 to 299, got 310"):
        tag_of_number(310)


def test_printed_tags_are_true_to_size_and_read() -> None:
    """Each mark is 12 mm wide, its number 8 mm high, and both stand where the sheet says."""
    sheet = sheet_called("a4-film")
    numbers = range(101, 101 + sheet.count)
    drawn = page(tags_pdf(numbers, sheet))
    assert drawn.shape == pytest.approx((297 * PX_PER_MM, 210 * PX_PER_MM), abs=2)
    left, top = sheet.place(5)
    x0, y0 = round(left * PX_PER_MM), round(top * PX_PER_MM)
    width, height = (round(side * PX_PER_MM) for side in sheet.label_mm)
    label = drawn[y0 + 3 : y0 + height - 3, x0 + 3 : x0 + width - 3]
    found = find_tag_marks(label, TO_PX, ids=range(1, LAST_TAG + 1))
    assert [one.id for one in found] == [106]
    dark = label < 100
    mark, number = dark[:, : round(16 * PX_PER_MM)], dark[:, round(16 * PX_PER_MM) : -70]
    columns = np.flatnonzero(mark.any(axis=0))
    assert (columns[-1] - columns[0] + 1) / PX_PER_MM == pytest.approx(MARK_MM, abs=0.2)
    rows = np.flatnonzero(number.any(axis=1))
    assert (rows[-1] - rows[0] + 1) / PX_PER_MM >= NUMBER_MM


def test_every_sheet_fits_its_paper() -> None:
    for sheet in sheets().values():
        x, y = sheet.place(sheet.count - 1)
        assert x + sheet.label_mm[0] <= sheet.paper_mm[0] + 1e-9
        assert y + sheet.label_mm[1] <= sheet.paper_mm[1] + 1e-9
        assert sheet.step_mm >= sheet.label_mm
        assert sheet.label_mm[1] >= MARK_MM * 10 / 8  # with its rim


@pytest.mark.parametrize("name", sheets())
def test_nothing_is_drawn_where_printers_print_nothing(name: str) -> None:
    """Four millimetres all round stay white: common practice of printers' makers, no source."""
    sheet = sheet_called(name)
    for pdf in (tags_pdf(range(1, sheet.count + 1), sheet), labels_pdf(["A7K4"] * 8, sheet)):
        rows, cols = np.nonzero(page(pdf) < 200)
        edges = (rows.min(), cols.min())
        height, width = page(pdf).shape
        edges += (height - 1 - rows.max(), width - 1 - cols.max())
        assert min(edges) / PX_PER_MM >= 4.0


def test_more_tags_than_a_sheet_go_on_another() -> None:
    sheet = sheet_called("a4-labels-24")
    document = pypdfium2.PdfDocument(tags_pdf(range(1, 26), sheet))
    assert len(document) == 2
    document.close()
    with pytest.raises(BadInputError, match="no tags asked for"):
        tags_pdf([], sheet)


def test_name_labels_hold_names_that_photos_show() -> None:
    drawn = page(labels_pdf(["LAM-03", "Kelch 7"], sheet_called("a4-labels-24")))
    assert read_tags(drawn[: round(40 * PX_PER_MM)], TO_PX) == ("Kelch 7", "LAM-03")


@pytest.fixture
def three(desk: Desk, tmp_path: Path) -> Desk:
    register = tmp_path / "r.csv"
    register.write_text(
        "specimen,batch,supplier,kind,cost\n"
        "amber,B1,S,torch,1\nblue,B1,S,torch,1\ncoral,B1,S,torch,1\n"
    )
    desk.ward().close()
    assert run("intake", register, "--ward", desk.path).exit_code == 0
    return desk


def stretches(desk: Desk) -> list[tuple[str, str, str, str]]:
    with desk.ward() as ward:
        return [
            (w.tag, w.specimen, f"{w.since:%m-%d}", f"{w.until:%m-%d}" if w.until else "")
            for w in tags_worn(ward)
        ]


def put(desk: Desk, tag: str, specimen: str, day: str) -> list[str]:
    with desk.ward() as ward, ward.working("labels"):
        at = datetime.fromisoformat(f"2026-{day}T12:00").replace(tzinfo=ward.settings.zone)
        return put_tag(ward, tag, specimen, at=at, by="Kim")


def test_a_tag_goes_from_specimen_to_specimen(three: Desk) -> None:
    put(three, "T17", "amber", "02-01")
    told = put(three, "T17", "blue", "03-01")
    assert told[1] == "Before, tag 17 was on amber."
    told = put(three, "T5", "blue", "04-01")
    assert told[1] == "Before, blue wore tag 17, which is free now."
    assert stretches(three) == [
        ("T5", "blue", "04-01", ""),
        ("T17", "amber", "02-01", "03-01"),
        ("T17", "blue", "03-01", "04-01"),
    ]


def test_what_is_noted_late_ends_where_the_known_begins(three: Desk) -> None:
    put(three, "T17", "amber", "03-01")
    put(three, "T17", "blue", "02-01")
    assert stretches(three) == [
        ("T17", "blue", "02-01", "03-01"),
        ("T17", "amber", "03-01", ""),
    ]
    # The same moment again corrects it; the old stays in the audit.
    assert "taken back" in put(three, "T17", "coral", "02-01")[1]
    assert put(three, "T17", "coral", "02-01")[0].endswith("that was known already.")
    assert stretches(three)[0] == ("T17", "coral", "02-01", "03-01")
    with three.ward() as ward:
        what = {row["what"] for row in ward.db.query("select what from audit")}
        assert {"tag put on", "tag corrected"} <= what


def test_a_tag_that_is_called_as_a_specimen_is_not_put_on(three: Desk, tmp_path: Path) -> None:
    register = tmp_path / "more.csv"
    register.write_text("specimen,batch,supplier,kind,cost\nt17,B2,S,torch,1\n")
    assert run("intake", register, "--ward", three.path).exit_code == 0
    done = run("labels", "put", "17", "amber", "--ward", three.path)
    assert (done.exit_code, "take another tag" in done.stderr) == (2, True)
    assert stretches(three) == []


def test_photos_follow_who_wore_the_tag(three: Desk) -> None:
    for month in (1, 3, 5):
        photo(
            three.photos / f"IMG_{month}.jpg", f"2026-{month:02d}-10T10:00:00+01:00", tags=["T17"]
        )
    put(three, "T17", "amber", "02-01")
    put(three, "T17", "blue", "04-01")
    three.score()

    def whose() -> dict[str, str]:
        with three.ward() as ward:
            return {reading.photo: reading.specimen for reading in ward.readings()}

    # Nobody wore it in January.
    assert whose() == {"IMG_1.jpg": "", "IMG_3.jpg": "amber", "IMG_5.jpg": "blue"}
    told = put(three, "T17", "coral", "03-05")
    assert told[-1] == "1 photo with it went to whom it was on then."
    assert whose() == {"IMG_1.jpg": "", "IMG_3.jpg": "coral", "IMG_5.jpg": "blue"}
    with three.ward() as ward:
        assert marks_in_use(ward) == (17,)
        at = datetime.fromisoformat("2026-05-01T12:00").replace(tzinfo=ward.settings.zone)
        with ward.working("labels"):
            take_tag(ward, "T17", at=at)
    assert whose()["IMG_5.jpg"] == "blue"  # what a photo was given, no later reading takes away


def test_a_word_on_a_tag_is_taken_back(three: Desk) -> None:
    for month in (3, 5):
        photo(
            three.photos / f"IMG_{month}.jpg", f"2026-{month:02d}-10T10:00:00+01:00", tags=["T17"]
        )
    put(three, "T17", "amber", "02-01")
    put(three, "T5", "blue", "02-01")
    put(three, "T17", "blue", "04-01")  # a slip: it was coral
    three.score()

    def undo(tag: str) -> str:
        done = run("labels", "undo", tag, "--by", "Ana", "--ward", three.path)
        assert done.exit_code == 0, done.output
        return done.stdout

    def whose() -> list[str]:
        with three.ward() as ward:
            return [reading.specimen for reading in ward.readings()]

    assert whose() == ["amber", "blue"]
    told = undo("17")
    assert "amber wears tag 17 again." in told
    assert "blue wears tag 5 again." in told
    assert "1 photo with it went to whom it was on then." in told
    assert whose() == ["amber", "amber"]
    assert stretches(three) == [("T5", "blue", "02-01", ""), ("T17", "amber", "02-01", "")]
    assert run("labels", "take", "17", "--by", "Kim", "--ward", three.path).exit_code == 0
    assert "wears it still" in undo("17")
    # Put on by mistake where nobody wore it: what it named is nobody's any more.
    undo("17")
    assert whose() == ["", ""]
    undo("5")
    assert stretches(three) == []
    bad = run("labels", "undo", "17", "--ward", three.path)
    assert (bad.exit_code, "nothing is noted of tag 17" in bad.stderr) == (2, True)
    with three.ward() as ward:
        kept = [(row["what"], row["new"]) for row in ward.db.query("select * from audit")]
    assert sum(what == "tag taken back" and "Ana" in new for what, new in kept) == 3
    assert any(what == "tag taken off" and "Kim" in new for what, new in kept)


def test_a_tag_goes_on_whoever_is_here(three: Desk) -> None:
    ward = ("--ward", three.path)
    run("specimen", "change", "blue", "--arrived-on", "2026-05-10", *ward)
    early = run("labels", "put", "17", "blue", "--at", "2026-05-09", *ward)
    assert (early.exit_code, "arrived on 2026-05-10" in early.stderr) == (2, True)
    run("specimen", "lost", "blue", "--at", "2026-05-20T09:00", *ward)
    late = run("labels", "put", "17", "blue", "--at", "2026-05-21", *ward)
    assert (late.exit_code, '"blue" is lost since 2026-05-20' in late.stderr) == (2, True)
    assert stretches(three) == []
    assert run("labels", "put", "17", "blue", "--at", "2026-05-11", *ward).exit_code == 0


def test_the_list_goes_out_as_csv(three: Desk, tmp_path: Path) -> None:
    put(three, "T17", "amber", "02-01")
    out = tmp_path / "tags.csv"
    done = run("labels", "list", "--csv", out, "--ward", three.path)
    assert done.stdout == f"{out}: 1 row\n"
    assert out.read_text().splitlines() == [
        "tag,specimen,since,until,by",
        "T17,amber,2026-02-01T12:00:00+01:00,,Kim",
    ]


def test_commands(three: Desk, tmp_path: Path) -> None:
    ward = ("--ward", three.path)
    done = run("labels", "--out", tmp_path / "tags.pdf", "--first", "290", "--count", "10", *ward)
    assert done.stdout.startswith(f"{tmp_path / 'tags.pdf'}: tags 290 to 299")
    assert (tmp_path / "tags.pdf").read_bytes().startswith(b"%PDF")
    assert run("labels", "--names", "--out", tmp_path / "n.pdf", *ward).exit_code == 0
    assert run("labels", "put", "017", "Amber", "--at", "2026-05-01", *ward).exit_code == 0
    assert "  17  amber  since 2026-05-01" in run("labels", "list", *ward).stdout
    run("care", "log", "amber", "sold", "--at", "2026-05-02", *ward)
    assert "sold: the tag can be used again" in run("labels", "list", *ward).stdout
    assert "taken off amber" in run("labels", "take", "17", *ward).stdout
    assert json.loads(run("labels", "list", "--json", *ward).stdout) == []
    told = json.loads(run("labels", "list", "--json", "--all", *ward).stdout)
    assert [(one["tag"], one["specimen"]) for one in told] == [("T17", "amber")]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("labels", "put", "17", "nobody"), '"nobody" is no specimen'),
        (("labels", "put", "317", "amber"), "from 1 to 299"),
        (("labels", "put", "17", "amber", "--at", "2999-01-01"), "in the future"),
        (("labels", "take", "17"), "nobody wears tag 17"),
        (("labels", "--sheet", "x"), '"x" is no sheet; there are: a4-film'),
        (("labels", "--first", "0"), "numbered from 1"),
        (("labels", "--first", "290", "--count", "20"), "go beyond"),
        (("labels", "--count", "0"), "no tags asked for"),
    ],
)
def test_bad_input(three: Desk, tmp_path: Path, words: tuple[str, ...], message: str) -> None:
    out = ("--out", tmp_path / "t.pdf") if words[1].startswith("--") else ()
    done = run(*words, *out, "--ward", three.path)
    assert (done.exit_code, message in done.stderr) == (2, True), done.stderr
    assert stretches(three) == []
    assert not (tmp_path / "t.pdf").exists()
