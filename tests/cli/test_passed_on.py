"""Nothing that a camera wrote besides its picture leaves the ward: no place, owner or number."""

import io
from pathlib import Path

from PIL import Image
from typer.testing import CliRunner

from polypward_cli.main import app
from polypward_cli.small import shown_by

# Words that stand in the photo's own data, and nowhere else.
OWNER, NUMBER, COMMENT, TOOL = "Xantippe Owner", "SN-4711-0815", "at home, 2nd floor", "Xtool 9"
PLACE = (52.0, 31.0, 12.0)


def with_personal_data(photo: Path, to: Path) -> None:
    """Write a copy of a photo whose EXIF, XMP and comment tell all that a phone may tell."""
    with Image.open(photo) as image:
        exif = image.getexif()
        exif[0x013B], exif[0x8298], exif[0x0131] = OWNER, OWNER, TOOL
        exif[0x8769] = exif.get_ifd(0x8769) | {0xA430: OWNER, 0xA431: NUMBER, 0x9286: COMMENT}
        exif[0x8825] = {1: "N", 2: PLACE, 3: "E", 4: (13.0, 24.0, 18.0)}
        xmp = f'<x:xmpmeta xmlns:x="adobe:ns:meta/">{OWNER} {NUMBER}</x:xmpmeta>'.encode()
        image.save(to, "JPEG", quality=92, exif=exif, comment=COMMENT.encode(), xmp=xmp)


def test_cut_outs_maps_pages_and_exports_hold_pixels_only(root: Path, tmp_path: Path) -> None:
    photos, ward = tmp_path / "photos", tmp_path / "ward"
    (photos / "LAN-01").mkdir(parents=True)
    source = photos / "LAN-01" / "2025-09-08.jpg"
    with_personal_data(root / "sample_images" / "LAN-01" / "2025-09-08.jpg", source)
    held = source.read_bytes()
    words = [OWNER, NUMBER, COMMENT, TOOL]
    assert all(word.encode() in held for word in words)
    with Image.open(source) as image:
        assert image.getexif().get_ifd(0x8825)[2] == PLACE

    def run(*said: object) -> None:
        done = CliRunner().invoke(app, [*map(str, said), "--ward", str(ward)])
        assert done.exit_code == 0, done.output

    run("score", photos, "--workers", 1)
    run("report")
    run("teach", "export", "--out", tmp_path / "maps")
    run("rounds", "--out", tmp_path / "round.pdf")
    passed_on = [
        *(path for path in ward.rglob("*") if path.name != "ward.db"),
        *(tmp_path / "maps").iterdir(),
        tmp_path / "round.pdf",
    ]
    pictures = 0
    for path in (one for one in passed_on if one.is_file()):
        data = path.read_bytes()
        for word in words:
            assert word.encode() not in data, path
            assert word.encode("utf-16-le") not in data, path
        if path.suffix in (".jpg", ".png"):
            pictures += 1
            with Image.open(io.BytesIO(data)) as image:
                image.load()
                assert not image.getexif(), path
                told = {"exif", "xmp", "comment", "XML:com.adobe.xmp"} & set(image.info)
            # The comment of a small picture holds the outlines that are drawn on it.
            assert told <= ({"comment"} if shown_by(data) else set()), path
    assert pictures >= 5  # cut-out, map, the report's, the pair to correct
    # The ledger keeps maker and model of the camera and the time of the fix, for its clock.
    ledger = (ward / "ward.db").read_bytes()
    assert not [word for word in words if word.encode() in ledger]
