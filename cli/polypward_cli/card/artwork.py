"""A card as a list of shapes: markers, patches, square code, and the few words on it."""

import math
from collections.abc import Iterator

import numpy as np

from polypward.cards import code_box_mm, serial_code
from polypward.errors import CardError
from polypward.records import Card, Marker
from polypward_cli.card.shapes import Box, Cells, Line, Polygon, Rgb, Shape, Text

__all__ = ["card_shapes", "print_rgb"]

_BLACK: Rgb = (0, 0, 0)
_WHITE: Rgb = (255, 255, 255)
_INK: Rgb = (64, 64, 64)
_FAINT: Rgb = (170, 170, 170)


def card_shapes(card: Card) -> list[Shape]:
    """Draw a card of a known layout.

    Parameters
    ----------
    card : Card
        A layout with its serial set.

    Returns
    -------
    list of Shape
        Card millimetres, to be painted in order on white.

    Raises
    ------
    CardError
        If the serial cannot be printed, or a patch colour is outside sRGB.
    """
    shapes: list[Shape] = []
    for marker in card.markers:
        shapes += _marker(marker)
    for patch in card.patches:
        width, height = patch.size_mm
        shapes.append(
            Box(
                x_mm=patch.centre_mm[0] - width / 2,
                y_mm=patch.centre_mm[1] - height / 2,
                width_mm=width,
                height_mm=height,
                fill=print_rgb(patch.lab_d50),
                patch=True,
            )
        )
    shapes.append(_square_code(card))
    shapes += _frame_words(card) if card.layout == "frame" else _strip_words(card)
    return shapes


def print_rgb(lab: tuple[float, float, float]) -> Rgb:
    """Give the 8-bit sRGB value that prints a nominal CIELAB D50 colour.

    Raises
    ------
    CardError
        If the colour lies outside sRGB.
    """
    from polypward_vision.colour.science import SRGB_TO_XYZ_D50, lab_to_xyz, linear_to_srgb

    linear = np.linalg.solve(SRGB_TO_XYZ_D50, lab_to_xyz(np.array(lab, np.float64)))
    # Half an 8-bit step past the ends, for Lab values that were rounded.
    if linear.min() < -2e-4 or linear.max() > 1.005:
        raise CardError(f"The colour Lab {lab} lies outside sRGB and cannot be printed.")
    red, green, blue = np.rint(255 * linear_to_srgb(np.clip(linear, 0, 1))).astype(int)
    return (int(red), int(green), int(blue))


def _marker(marker: Marker) -> Iterator[Shape]:
    import cv2

    if marker.dictionary != "DICT_APRILTAG_36h11":
        raise CardError(f"Markers of {marker.dictionary} cannot be drawn.")
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    modules = dictionary.markerSize + 2  # one module of black border on each side
    bits = cv2.aruco.generateImageMarker(dictionary, marker.id, modules) > 0
    (left, top), (right, _), _, _ = marker.corners_mm
    side = right - left
    yield Box(x_mm=left, y_mm=top, width_mm=side, height_mm=side, fill=_BLACK)
    yield Cells(
        x_mm=left, y_mm=top, module_mm=side / modules, rows=_rows(bits.tolist()), fill=_WHITE
    )


def _square_code(card: Card) -> Cells:
    import segno

    code = segno.make_qr(serial_code(card), boost_error=True)
    x, y, side = code_box_mm(card.layout)
    rows = _rows([[bool(dark) for dark in row] for row in code.matrix])
    return Cells(x_mm=x, y_mm=y, module_mm=side / len(rows), rows=rows, fill=_BLACK)


def _rows(matrix: list[list[bool]]) -> tuple[tuple[bool, ...], ...]:
    return tuple(tuple(row) for row in matrix)


def _frame_words(card: Card) -> Iterator[Shape]:
    assert card.window_mm is not None
    x, y, width, height = card.window_mm
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    for index in range(4):
        yield Line(start_mm=corners[index - 1], end_mm=corners[index], width_mm=0.2, colour=_FAINT)
    for centre in ((29, 29), (157, 29), (157, 157), (29, 157)):
        yield from polyp_shapes(centre)
    yield Text(at_mm=(47, 173), text=card.serial, size_mm=6.5, colour=_INK)
    yield Text(at_mm=(47, 179.5), text="polypward card, frame", size_mm=3.2, colour=_INK)
    yield from _writing_line((104, 174.5), 36, "water system")
    yield from _writing_line((144, 174.5), 19, "printed on")


def _strip_words(card: Card) -> Iterator[Shape]:
    assert card.arrow_mm is not None
    (x, y), _ = card.arrow_mm
    yield Polygon(
        points_mm=(
            (x, y),
            (x + 7.5, y + 7),
            (x + 3, y + 7),
            (x + 3, y + 13),
            (x - 3, y + 13),
            (x - 3, y + 7),
            (x - 7.5, y + 7),
        ),
        fill=_INK,
    )
    yield Text(at_mm=(26, 9.5), text="coral on", size_mm=3.6, colour=_INK, align="middle")
    yield Text(at_mm=(59.6, 9.5), text="this side", size_mm=3.6, colour=_INK, align="middle")
    yield Text(
        at_mm=(78.4, 27), text="polypward", size_mm=3.6, colour=_INK, align="middle", turned=True
    )
    yield Text(at_mm=(17, 51.6), text=card.serial, size_mm=3.8, colour=_INK)
    yield Text(at_mm=(42, 51.6), text="water", size_mm=2.6, colour=_INK)
    yield Line(start_mm=(49.5, 51.8), end_mm=(69, 51.8), width_mm=0.2, colour=_INK)


def _writing_line(start: tuple[float, float], length: float, label: str) -> Iterator[Shape]:
    x, y = start
    yield Line(start_mm=(x, y), end_mm=(x + length, y), width_mm=0.2, colour=_INK)
    yield Text(at_mm=(x, y + 3.2), text=label, size_mm=2.6, colour=_INK)


def polyp_shapes(centre: tuple[float, float]) -> Iterator[Shape]:
    """Draw polypward's mark, 10.4 mm wide: a polyp from above, septa round an oval mouth."""
    x, y = centre
    septa = 28
    for index in range(septa):
        angle = 2 * math.pi * (index + 0.5) / septa
        inner = 2.0 if index % 2 else 3.2
        cosine, sine = math.cos(angle), math.sin(angle)
        yield Line(
            start_mm=(x + inner * 1.25 * cosine, y + inner * sine),
            end_mm=(x + 5.2 * cosine, y + 5.2 * sine),
            width_mm=0.35,
            colour=_FAINT,
        )
