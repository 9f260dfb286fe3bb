"""Correcting maps: what is painted comes back as it was, and nothing else gets in."""

import json
import re
import struct
import zlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, FakeSeen, photo
from typer.testing import CliRunner

from polypward.errors import BadInputError
from polypward_cli.main import app
from polypward_cli.small import ensure_small, small_of
from polypward_cli.teaching.corrections import export_maps, forget_map, import_maps, map_rows
from polypward_cli.teaching.learning import eyes_of, in_use, learn
from polypward_cli.teaching.painting import painted, read_painted
from polypward_vision.colour.apply import plain_correction
from polypward_vision.colour.icc import Encoding


def labels() -> np.ndarray:
    drawn = np.zeros((30, 40), np.uint8)
    drawn[5:25, 5:35], drawn[5:10, 5:12], drawn[20:25, 20:30] = 1, 2, 3
    return drawn


def test_a_painted_map_comes_back_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(painted(labels()))
    np.testing.assert_array_equal(read_painted(tmp_path / "a.png", shape=(30, 40)), labels())
    # Flattened on white or black paper, with a palette, or as the ward keeps it.
    with Image.open(tmp_path / "a.png") as image:
        for ground in ("white", "black"):
            flat = Image.new("RGB", image.size, ground)
            flat.paste(image, mask=image)
            flat.save(tmp_path / "b.png")
            found = read_painted(tmp_path / "b.png", shape=(30, 40))
            np.testing.assert_array_equal(found, labels())
        flat.quantize(8).save(tmp_path / "b.png")
        np.testing.assert_array_equal(read_painted(tmp_path / "b.png", shape=(30, 40)), labels())
    Image.fromarray(labels()).save(tmp_path / "c.png")
    np.testing.assert_array_equal(read_painted(tmp_path / "c.png", shape=(30, 40)), labels())


def test_soft_edges_take_the_nearer_colour(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(painted(labels()))
    with Image.open(tmp_path / "a.png") as image:
        pixels = np.asarray(image).copy()
    pixels[15, 5:35, :3] = pixels[15, 5:35, :3] * 0.85
    Image.fromarray(pixels).save(tmp_path / "a.png")
    np.testing.assert_array_equal(read_painted(tmp_path / "a.png", shape=(30, 40)), labels())


def _bomb() -> bytes:
    """A PNG that claims 60000 x 60000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
            + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b""))  # fmt: skip


def _saved(pixels: np.ndarray, path: Path, kind: str = "PNG") -> bytes:
    Image.fromarray(pixels).save(path, kind)
    return path.read_bytes()


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ("empty", "no readable PNG"),
        ("text", "no readable PNG"),
        ("cut", "no readable PNG"),
        ("bomb", "Image size (3600000000 pixels)"),
        ("jpeg", "no readable PNG"),
        ("small", "20 x 15 pixels"),
        ("grey", "values up to 200"),
        ("deep", "of kind I;16"),
        ("photo", "none of the map's colours"),
    ],
)
def test_a_hostile_or_wrong_picture_is_told_by_name(tmp_path: Path, what: str, says: str) -> None:
    path = tmp_path / "x.png"
    rng = np.random.default_rng(1)
    path.write_bytes(
        {
            "empty": lambda: b"",
            "text": lambda: b"<svg/>" * 40,
            "cut": lambda: painted(labels())[:60],
            "bomb": _bomb,
            "jpeg": lambda: _saved(np.zeros((30, 40, 3), np.uint8), tmp_path / "j.jpg", "JPEG"),
            "small": lambda: painted(labels()[:15, :20]),
            "grey": lambda: _saved(np.full((30, 40), 200, np.uint8), tmp_path / "g.png"),
            "deep": lambda: _saved(np.full((30, 40), 900, np.uint16), tmp_path / "d.png"),
            "photo": lambda: _saved(
                rng.integers(90, 140, (30, 40, 3)).astype(np.uint8), tmp_path / "p.png"
            ),
        }[what]()
    )
    with pytest.raises(BadInputError, match=re.escape(says)) as caught:
        read_painted(path, shape=(30, 40))
    assert str(path) in str(caught.value)


@dataclass(frozen=True)
class Eyes(FakeEyes):
    """Gives what a real reading gives besides: a colour correction and where the cut-out lies."""

    def measure(self, opened, *, corrected_map=None, **known) -> FakeSeen:
        seen = super().measure(opened, **known)
        plane = [[10.0, 0, 0], [0, 10.0, 0], [0, 0, 1]]
        kept = plain_correction(Encoding()).to_json() | {"plane": plane, "area_rsd": 0.01}
        mask = seen.mask if corrected_map is None else corrected_map.labels
        return replace(seen, correction=kept, mask=mask)


@pytest.fixture
def scored(desk: Desk) -> Desk:
    desk.eyes = Eyes()
    for day, name in enumerate(("amber", "amber", "birch", "cedar")):
        taken = f"2026-05-{4 + day:02d}T10:00:00+02:00"
        photo(desk.photos / name / f"IMG_{day}.jpg", taken)
    desk.score()
    return desk


def times_measured(desk: Desk) -> int:
    """Score once more; how often any photo was opened in all."""
    desk.score()
    return len(desk.eyes.opened)


def corrected(desk: Desk, folder: Path, count: int = 6) -> list[Path]:
    """Export maps and paint the upper half of each bare."""
    with desk.ward() as ward:
        export_maps(ward, folder, count=count)
    files = sorted(folder.glob("*.map.png"))
    for file in files:
        before = read_painted(file, shape=(30, 40))
        before[:15][before[:15] > 0] = 2
        file.write_bytes(painted(before))
    return files


def test_pairs_go_out_the_least_seen_specimen_first(scored: Desk, tmp_path: Path) -> None:
    with scored.ward() as ward:
        names = export_maps(ward, tmp_path / "maps", count=3)
    assert [name.split("~")[0] for name in names] == ["amber", "birch", "cedar"]
    for name in names:
        with Image.open(tmp_path / "maps" / f"{name}.cut-out.png") as cut:
            assert (cut.size, cut.mode) == ((40, 30), "RGB")
        with Image.open(tmp_path / "maps" / f"{name}.map.png") as drawn:
            assert (drawn.size, drawn.mode) == ((40, 30), "RGBA")


def test_a_corrected_map_replaces_the_models_and_stays(scored: Desk, tmp_path: Path) -> None:
    # Truth: of 20 x 30 pixels of 0.2 mm the upper 10 rows are bare now: 12 mm2 live, 12 bare.
    corrected(scored, tmp_path / "maps", count=1)
    with scored.ward() as ward, ward.working("test"):
        [done] = import_maps(ward, [tmp_path / "maps"], by="Ana")
        assert (done.changed, done.cover_after) == (True, 0.5)
        [row] = map_rows(ward)
        assert (row["live_mm2"], row["bare_mm2"]) == (pytest.approx(12), pytest.approx(12))
        assert "map-corrected" in json.loads(row["notes"])
        with Image.open(ward.path / row["mask"]) as mask:
            assert (np.asarray(mask) == 2).sum() == 300
        # The report's small picture is drawn anew with it, and that by the model's map is gone.
        pictures = {path.name for path in (ward.path / "small").iterdir()}
        rows = list(ward.db.query("select tile, mask from readings"))
        assert pictures == {Path(small_of(one["tile"], one["mask"])).name for one in rows}
        shown = ensure_small(ward.path, row["tile"], row["mask"])
        assert shown is not None
        assert set(shown.outlines) == {"live", "bare"}
        [line] = ward.db.query("select * from audit where what = 'map corrected'")
        assert json.loads(line["old"])["live_cover"] == 0.9
        # The same map again is no correction.
        [same] = import_maps(ward, [tmp_path / "maps"], by="Ana")
        assert not same.changed
    assert times_measured(scored) == 4  # it stands on the map
    # Measured again for another reason, the map goes with it.
    scored.score(height_mm=7)
    with scored.ward() as ward:
        [row] = map_rows(ward)
        with Image.open(ward.path / row["mask"]) as mask:
            assert (np.asarray(mask) == 2).sum() == 300


def test_a_forgotten_map_is_kept_in_the_audit(scored: Desk, tmp_path: Path) -> None:
    corrected(scored, tmp_path / "maps", count=1)
    with scored.ward() as ward, ward.working("test"):
        import_maps(ward, [tmp_path / "maps"])
        assert forget_map(ward, "IMG_0.jpg") == "amber/IMG_0.jpg"
        assert map_rows(ward) == []
        [line] = ward.db.query("select * from audit where what = 'corrected map forgotten'")
        assert bytes.fromhex(json.loads(line["old"])["map"]).startswith(b"\x89PNG")
        with pytest.raises(BadInputError, match="no corrected map"):
            forget_map(ward, "IMG_0.jpg")
    assert times_measured(scored) == 5


def test_all_maps_or_none(scored: Desk, tmp_path: Path) -> None:
    files = corrected(scored, tmp_path / "maps")
    files[-1].write_bytes(b"not a picture")
    with scored.ward() as ward, ward.working("test"):
        with pytest.raises(BadInputError, match=re.escape(files[-1].name)):
            import_maps(ward, [tmp_path / "maps"])
        assert map_rows(ward) == []
        strange = tmp_path / "maps" / "drawing.png"
        strange.write_bytes(painted(labels()))
        with pytest.raises(BadInputError, match="not called as"):
            import_maps(ward, [strange])
        other = files[0].with_name("amber~0123456789abcdef-01234567.map.png")
        files[0].rename(other)
        with pytest.raises(BadInputError, match="not in this ward"):
            import_maps(ward, [other])


def test_a_map_of_another_cut_out_is_refused(scored: Desk, tmp_path: Path) -> None:
    files = corrected(scored, tmp_path / "maps", count=1)
    with scored.ward() as ward, ward.working("test"):
        ward.db.execute("update readings set tile_x_mm = tile_x_mm + 3")
        with pytest.raises(BadInputError, match="export it again"):
            import_maps(ward, files)


def test_the_ward_learns_and_says_what_it_came_to(scored: Desk, tmp_path: Path) -> None:
    corrected(scored, tmp_path / "maps")
    with scored.ward() as ward, ward.working("test"):
        assert eyes_of(ward) is None
        import_maps(ward, [tmp_path / "maps"])
        learned = learn(ward, by="Ana")
        assert learned.maps == 4
        assert "held" not in learned.lines()[-1]
        row = in_use(ward)
        assert row is not None
        assert (row["maps"], row["by"], bool(row["used"])) == (4, "Ana", learned.used)
        # A model of an older base is made anew before it is used.
        ward.db.execute("update ward_models set base_version = 'older', used = 1")
        eyes_of(ward)
        newest = in_use(ward)
        assert newest is not None
        assert newest["id"] == row["id"] + 1
        ward.db.execute("update ward_models set used = 1")
        eyes = eyes_of(ward)
        assert eyes is not None
        assert eyes.version == newest["version"]


def test_the_commands(scored: Desk, tmp_path: Path) -> None:
    run = CliRunner().invoke
    ward, maps = ["--ward", str(scored.path)], tmp_path / "maps"
    first = run(app, ["teach", *ward])
    assert "0 corrected maps; in use: the base model" in first.output
    out = run(app, ["teach", "export", "--out", str(maps), *ward])
    assert out.exit_code == 0, out.output
    assert "blue #0072b2 = live" in out.output
    same = run(app, ["teach", "import", str(maps), *ward])
    assert "4 maps were as before" in same.output
    corrected(scored, maps, count=2)
    done = run(app, ["teach", "import", str(maps), "--by", "Ana", *ward])
    assert done.exit_code == 0, done.output
    assert "live cover 0.900 -> 0.500" in done.output
    shown = json.loads(run(app, ["teach", "--json", *ward]).output)
    assert [one["by"] for one in shown["maps"]] == ["Ana"] * len(shown["maps"])
    checked = run(app, ["teach", "--check", *ward])
    assert checked.exit_code == 0
    wrong = run(app, ["teach", "import", str(tmp_path / "nowhere"), *ward])
    assert (wrong.exit_code, "no such file" in wrong.stderr) == (2, True)


@dataclass(frozen=True)
class Watching(Eyes):
    """Keeps what the ward knew of each photo."""

    known: dict[str, Any] = field(default_factory=dict)

    def measure(self, opened, **known) -> FakeSeen:
        self.known[opened.photo["nonce"]] = known.get("outlined")
        known.pop("outlined", None)
        return super().measure(opened, **known)


def test_an_outline_of_a_photo_is_carried_to_later_ones_of_its_specimen(desk: Desk) -> None:
    eyes = Watching()
    for day, name in ((4, "amber"), (11, "amber"), (18, "amber"), (18, "birch")):
        taken = f"2026-05-{day:02d}T10:00:00+02:00"
        photo(desk.photos / name / f"{day}.jpg", taken, nonce=f"{name}{day}")
    outline = ((20.0, 0.0), (26.0, 0.0), (26.0, 4.0))
    desk.score(eyes=eyes, outlines={"amber/11.jpg": outline})
    carried_to = {name for name, one in eyes.known.items() if one is not None}
    assert carried_to == {"amber18"}
    one = eyes.known["amber18"]
    assert one.outline_mm == outline
    assert one.light.shape == one.labels.shape == (30, 40)
    # Nothing has changed since: nothing is measured again.
    count = len(eyes.opened)
    desk.score(eyes=eyes)
    assert len(eyes.opened) == count
    # Another outline, other readings.
    desk.score(eyes=eyes, outlines={"amber/4.jpg": outline})
    assert {name for name, one in eyes.known.items() if one is not None} == {"amber18"}
