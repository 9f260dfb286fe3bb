"""The drawn card against card.json: pixels, detected corners, page sizes and bars."""

from dataclasses import replace
from io import BytesIO
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pypdf
import pypdfium2
import pytest
from PIL import Image, ImageCms

from polypward.cards import LAYOUTS, load_layout, serial_code
from polypward.errors import CardError
from polypward.records import Card
from polypward_cli.card.artwork import print_rgb
from polypward_cli.card.page import PAPERS_MM, card_pdf, page_of
from polypward_cli.card.picture import card_png
from polypward_vision.colour.science import SRGB_TO_XYZ_D50, srgb_to_linear, xyz_to_lab

PX_PER_MM = 600 / 25.4
Pixels = npt.NDArray[np.uint8]


def made(layout: str) -> Card:
    return replace(load_layout(layout), serial="F7KX4DX")


@pytest.fixture(scope="module", params=LAYOUTS)
def drawn(request: pytest.FixtureRequest) -> tuple[Card, bytes, Pixels]:
    card = made(request.param)
    png = card_png(card)
    return card, png, np.asarray(Image.open(BytesIO(png)))


def is_srgb(profile: bytes) -> bool:
    opened = ImageCms.ImageCmsProfile(BytesIO(profile))
    return "sRGB" in ImageCms.getProfileDescription(opened)


def found_markers(grey: Pixels) -> dict[int, npt.NDArray[np.float64]]:
    """Outer corners in pixel-edge coordinates (OpenCV counts from pixel centres)."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    assert ids is not None
    found: dict[int, npt.NDArray[np.float64]] = {}
    for marker_id, quad in zip(ids.ravel().tolist(), corners, strict=True):
        found.setdefault(marker_id, np.empty((0, 4, 2)))
        found[marker_id] = np.concatenate([found[marker_id], quad.reshape(1, 4, 2) + 0.5])
    return found


def test_png_has_600_dpi_and_the_trimmed_size(drawn: tuple[Card, bytes, Pixels]) -> None:
    card, png, pixels = drawn
    image = Image.open(BytesIO(png))
    assert image.mode == "RGB"
    assert image.info["dpi"] == pytest.approx((600, 600), abs=0.02)  # PNG stores pixels a metre
    assert is_srgb(image.info["icc_profile"])
    assert card_png(card) == png  # no clock in it
    width, height = card.size_mm
    assert pixels.shape == (round(height * PX_PER_MM), round(width * PX_PER_MM), 3)


def test_png_marker_corners_are_within_half_a_pixel(drawn: tuple[Card, bytes, Pixels]) -> None:
    """Each black square ends at the pixel edge nearest to its millimetres."""
    card, _, pixels = drawn
    black = (pixels == 0).all(axis=2)
    for marker in card.markers:
        (x0, y0), _, (x1, y1), _ = (np.array(corner) * PX_PER_MM for corner in marker.corners_mm)
        along_x = np.flatnonzero(black[round(y0 + 8), int(x0) - 20 : int(x1) + 20])
        along_y = np.flatnonzero(black[int(y0) - 20 : int(y1) + 20, round(x0 + 8)])
        assert abs(int(x0) - 20 + along_x[0] - x0) <= 0.5
        assert abs(int(x0) - 20 + along_x[-1] + 1 - x1) <= 0.5
        assert abs(int(y0) - 20 + along_y[0] - y0) <= 0.5
        assert abs(int(y0) - 20 + along_y[-1] + 1 - y1) <= 0.5


@pytest.mark.parametrize("shrink", [1, 2, 4])
def test_opencv_finds_every_marker_where_card_json_says(
    drawn: tuple[Card, bytes, Pixels], shrink: int
) -> None:
    card, _, pixels = drawn
    grey = np.asarray(Image.fromarray(pixels).convert("L").reduce(shrink))
    found = found_markers(grey)
    assert set(found) == {marker.id for marker in card.markers}
    for marker in card.markers:
        truth = np.array(marker.corners_mm) * PX_PER_MM / shrink
        # Half a pixel of the drawing, and 0.3 px of the detector's corner refinement.
        assert np.abs(found[marker.id][0] - truth).max() <= 0.5 / shrink + 0.3, marker.id


def test_png_patches_are_one_colour_and_give_back_their_lab(
    drawn: tuple[Card, bytes, Pixels],
) -> None:
    card, _, pixels = drawn
    for patch in card.patches:
        (x, y), (width, height) = patch.centre_mm, patch.size_mm
        left, right = (round((x + side * width / 2) * PX_PER_MM) for side in (-1, 1))
        top, bottom = (round((y + side * height / 2) * PX_PER_MM) for side in (-1, 1))
        inside = pixels[top:bottom, left:right].reshape(-1, 3)
        assert (inside == inside[0]).all(), patch.name
        lab = xyz_to_lab(srgb_to_linear(inside[0] / 255.0) @ SRGB_TO_XYZ_D50.T)
        # card.json keeps two decimals; 0.02 more for the digits of the sRGB matrix.
        np.testing.assert_allclose(lab, patch.lab_d50, atol=0.03, err_msg=patch.name)


@pytest.mark.parametrize("px_per_mm", [PX_PER_MM, 6.0])
def test_the_square_code_is_read(drawn: tuple[Card, bytes, Pixels], px_per_mm: float) -> None:
    """At 600 dpi and as a phone sees it: 6 px/mm is 2 megapixels over 25 cm."""
    card, _, pixels = drawn
    scale = px_per_mm / PX_PER_MM
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    grey = np.asarray(Image.fromarray(pixels).convert("L").resize(size, Image.Resampling.BOX))
    text, *_ = cv2.QRCodeDetector().detectAndDecode(grey)
    assert text == serial_code(card)


def test_a_colour_outside_srgb_is_refused() -> None:
    with pytest.raises(CardError, match="outside sRGB"):
        print_rgb((50, 90, -90))


def test_a_foreign_dictionary_is_refused() -> None:
    card = made("strip")
    foreign = replace(card.markers[0], dictionary="DICT_4X4_50")
    with pytest.raises(CardError, match="DICT_4X4_50 cannot be drawn"):
        card_png(replace(card, markers=(foreign,)))


@pytest.fixture(scope="module", params=[(a, b) for a in LAYOUTS for b in PAPERS_MM])
def printed(request: pytest.FixtureRequest) -> tuple[Card, Any, bytes]:
    layout, paper = request.param
    card = made(layout)
    return card, paper, card_pdf(card, paper=paper)


def test_pdf_is_one_page_of_the_paper_and_forbids_scaling(
    printed: tuple[Card, Any, bytes],
) -> None:
    card, paper, data = printed
    reader = pypdf.PdfReader(BytesIO(data))
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    # fpdf2 writes points with two decimals.
    assert (float(box.width), float(box.height)) == pytest.approx(
        tuple(side / 25.4 * 72 for side in PAPERS_MM[paper]), abs=0.006
    )
    catalog: Any = reader.trailer["/Root"]
    assert catalog["/ViewerPreferences"]["/PrintScaling"] == "/None"
    (intent,) = catalog["/OutputIntents"]
    assert is_srgb(intent["/DestOutputProfile"].get_data())
    text = reader.pages[0].extract_text()
    for words in (card.serial, "100 %", "measure me (X)", "measure me (Y)", "under water"):
        assert words in text
    command = f"polypward card check --serial {card.serial} --bar-mm X Y"
    assert command in text.splitlines()  # not broken over lines


def test_pdf_bars_are_100_mm_to_the_hundredth_of_a_point(
    printed: tuple[Card, Any, bytes],
) -> None:
    """Read from the drawing operators themselves, not from a rendering."""
    _, _, data = printed
    page = pypdf.PdfReader(BytesIO(data)).pages[0]
    content: Any = page.get_contents()
    boxes = [
        (float(operands[2]), abs(float(operands[3])))
        for operands, operator in content.operations
        if operator == b"re"
    ]
    bar = (100 / 25.4 * 72, 2 / 25.4 * 72)
    for width, height in (bar, bar[::-1]):
        assert (pytest.approx(width, abs=0.006), pytest.approx(height, abs=0.006)) in boxes


def test_pdf_patches_carry_an_srgb_profile(printed: tuple[Card, Any, bytes]) -> None:
    card, _, data = printed
    reader = pypdf.PdfReader(BytesIO(data))
    resources: Any = reader.pages[0]["/Resources"]
    spaces = [image.get_object()["/ColorSpace"] for image in resources["/XObject"].values()]
    assert len(spaces) == len({patch.lab_d50 for patch in card.patches})
    for space in spaces:
        assert space[0] == "/ICCBased"
        assert is_srgb(space[1].get_object().get_data())


def test_pdf_prints_true_to_size(printed: tuple[Card, Any, bytes]) -> None:
    """Rendered at 300 dpi: markers of every copy, patch colours, bars of 100 mm, margins."""
    card, paper, data = printed
    dpi = 300
    px = dpi / 25.4
    document = pypdfium2.PdfDocument(data)
    image = document[0].render(scale=dpi / 72).to_pil().convert("RGB")
    document.close()
    pixels = np.asarray(image)
    page = page_of(card, paper)

    # The picture has whole pixels, which stretches the page by up to 1 in 2480.
    stretched = np.array(image.size) / page.size_mm
    found = found_markers(np.asarray(image.convert("L")))
    for marker in card.markers:
        truth = np.array(
            [[np.add(corner, at) for corner in marker.corners_mm] for at in page.cards_mm]
        )
        assert len(found[marker.id]) == len(page.cards_mm)
        for quad in found[marker.id]:
            # pdfium fills every pixel that a box touches: up to 1 px; refinement 0.2: 0.1 mm.
            assert np.abs(truth * stretched - quad).max(axis=(1, 2)).min() <= 1.2

    for x0, y0 in page.cards_mm:
        for patch in card.patches:
            row, column = (
                round((y0 + patch.centre_mm[1]) * px),
                round((x0 + patch.centre_mm[0]) * px),
            )
            colour = pixels[row, column].astype(int)
            # One 8-bit step for the profile's own arithmetic.
            assert np.abs(colour - print_rgb(patch.lab_d50)).max() <= 1, patch.name

    dark = (pixels < 128).all(axis=2)
    x, y, width, height = page.bar_x_mm
    length = dark[round((y + height / 2) * px), round((x - 3) * px) : round((x + width + 1) * px)]
    assert length.sum() / px == pytest.approx(100, abs=0.1)  # one pixel and a bit
    x, y, width, height = page.bar_y_mm
    length = dark[: round((y + height + 1) * px), round((x + width / 2) * px)]
    assert length.sum() / px == pytest.approx(100, abs=0.1)

    inked = (pixels < 250).any(axis=2)
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    margins = (rows[0], columns[0], inked.shape[0] - rows[-1] - 1, inked.shape[1] - columns[-1] - 1)
    # The cut line, 0.1 mm wide, stands on the margin.
    assert min(margins) / px >= 6.9


def test_bars_and_copies_stay_clear_of_each_other() -> None:
    for layout in LAYOUTS:
        card = load_layout(layout)
        for paper in ("a4", "letter"):
            page = page_of(card, paper)  # type: ignore[arg-type]
            boxes = [(x, y, *card.size_mm) for x, y in page.cards_mm]
            boxes += [page.bar_x_mm, page.bar_y_mm]
            for index, (x, y, width, height) in enumerate(boxes):
                assert x >= 7
                assert x + width <= page.size_mm[0] - 7 + 1e-9
                for ox, oy, other_width, other_height in boxes[:index]:
                    apart_x = x >= ox + other_width + 3 or ox >= x + width + 3
                    apart_y = y >= oy + other_height + 3 or oy >= y + height + 3
                    assert apart_x or apart_y
    assert len(page_of(load_layout("strip"), "a4").cards_mm) == 6
