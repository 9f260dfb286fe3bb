import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from polypward.errors import BadInputError
from polypward_cli.manifest import photo_key, read_manifest, read_outlines
from polypward_cli.tablein import Faults, read_table

BERLIN = ZoneInfo("Europe/Berlin")
TEXT = "photo,specimen,height_mm\nä.jpg,Ünal,1.5\n"


@pytest.mark.parametrize(
    "data",
    [
        TEXT.encode(),
        TEXT.encode("utf-8-sig"),
        TEXT.encode("utf-16"),
        TEXT.encode("cp1252"),
        TEXT.replace(",", ";").replace("1.5", "1,5").encode(),
        TEXT.replace(",", "\t").encode(),
        TEXT.replace("\n", "\r\n").encode(),
        (
            "\n" + TEXT.replace("photo", " Photo ").replace("height_mm", "Height mm") + ",,\n"
        ).encode(),
    ],
)
def test_tables_are_read_as_spreadsheets_write_them(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "m.csv"
    path.write_bytes(data)
    table = read_table(path, known=("photo", "specimen", "height_mm"), required=("photo",))
    [row] = table.rows
    assert (row.text("photo"), row.text("specimen")) == ("ä.jpg", "Ünal")
    assert row.number("height_mm", Faults(path)) == 1.5


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (b"", "the file is empty"),
        (b"\n\n", "the file is empty"),
        (b"a,b\n1,2\n", 'line 1: the column "photo" is missing'),
        (b"photo,photo\n", 'line 1: the column "photo" is there twice'),
        (b"photo,hieght_mm\n", 'line 1: unknown column "hieght_mm"; is it "height_mm"'),
        (b"photo,specimen\n\na.jpg,x,y\n", "line 3: 3 cells, but the header has 2"),
        (b'photo\n"a\n', "no valid CSV"),
        (b"photo\n\x00\xff", "not a text file"),
    ],
)
def test_faulty_tables_are_told_with_their_line(tmp_path: Path, data: bytes, fault: str) -> None:
    path = tmp_path / "m.csv"
    path.write_bytes(data)
    with pytest.raises(BadInputError) as caught:
        read_manifest(path, zone=BERLIN)
    assert fault in str(caught.value)


def test_every_faulty_row_of_a_manifest_is_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text(
        "photo,taken_at,height_mm,view,open,mm_per_px,remark\n"
        "a.jpg,yesterday,tall,below,wide,0\n"
        ",,,,,\n"
        "b.jpg,,,,,\n"
        "B.jpg,2026-01-12,,,,\n"
    )
    with pytest.raises(BadInputError) as caught:
        read_manifest(path, zone=BERLIN)
    text = str(caught.value)
    for part in ("taken_at", "height_mm", "view", "open", "mm_per_px"):
        assert f"line 2: {part}" in text
    assert "line 5" in text
    assert "already in line 4" in text


def test_a_good_manifest(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text(
        "photo,specimen,taken_at,height_mm,view,remark\n"
        "week 1\\A.JPG,LAM-03,2026-01-12T10:00,0,Top,x\n"
        "./week 1/A.JPG,LAM-03,2026-01-12 10:00,0,top,y\n"
    )
    manifest = read_manifest(path, zone=BERLIN)
    assert manifest.rows == {
        "week 1/a.jpg": {
            "specimen": "LAM-03",
            "taken_at": "2026-01-12T10:00:00+01:00",
            "height_mm": 0.0,
            "view": "top",
        }
    }
    assert manifest.unknown_columns == ("remark",)
    assert photo_key("./a\\B//c.JPG") == "a/b/c.jpg"


def test_outlines(tmp_path: Path) -> None:
    path = tmp_path / "o.json"
    path.write_text(json.dumps({"LAM-03": [[0, 0], [10, 0.5], [0, 10]]}))
    assert read_outlines(path) == {"LAM-03": ((0.0, 0.0), (10.0, 0.5), (0.0, 10.0))}


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[1]", "must be {"),
        ("{", "no valid JSON"),
        ('{"a": [[0, 0], [1, 1]]}', '"a" needs a list of at least three points'),
        ('{"a": [[0, 0], [1, 1], [1]]}', '"a", point 3: must be'),
        ('{"a": [[0, 0], [1, 1], [1, NaN]]}', '"a", point 3: must be'),
        ('{"a": [[0, 0], [1, 1], [1, true]]}', '"a", point 3: must be'),
    ],
)
def test_faulty_outlines_are_told(tmp_path: Path, text: str, fault: str) -> None:
    path = tmp_path / "o.json"
    path.write_text(text)
    with pytest.raises(BadInputError) as caught:
        read_outlines(path)
    assert fault in str(caught.value)
