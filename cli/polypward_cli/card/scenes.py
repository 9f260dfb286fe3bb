"""Three small drawings for the card's sheet, seen from the side: right, wrong, wrong."""

import math
from collections.abc import Iterator
from typing import Final, Literal

from polypward_cli.card.shapes import Box, Line, Polygon, Rgb, Shape, Text

__all__ = ["SCENES", "SCENE_MM", "scene_shapes"]

# Width and height of a drawing with the line below it.
SCENE_MM: Final = (58.0, 23.0)
_PICTURE_MM: Final = 18.0
_SURFACE_MM: Final = 6.0  # from the top of the picture
_WATER: Rgb = (221, 232, 236)
_INK: Rgb = (30, 30, 30)
_CORAL: Rgb = (120, 120, 120)
_SIGHT: Rgb = (150, 150, 150)

Name = Literal["right", "in air", "tilted"]
_SAID: dict[Name, tuple[bool, str]] = {
    "right": (True, "card under water, at half height"),
    "in air": (False, "card in air, coral in water"),
    "tilted": (False, "phone tilted"),
}


SCENES: Final = tuple(_SAID)


def scene_shapes(name: Name, at_mm: tuple[float, float]) -> list[Shape]:
    """Draw one scene: tank, coral, card and phone, a tick or a cross, and what it shows."""
    x, y = at_mm
    good, said = _SAID[name]
    width = SCENE_MM[0]
    floor = y + _PICTURE_MM
    middle = x + 20.0
    shapes: list[Shape] = [
        Box(
            x_mm=x,
            y_mm=y + _SURFACE_MM,
            width_mm=width,
            height_mm=_PICTURE_MM - _SURFACE_MM,
            fill=_WATER,
        ),
        Line(start_mm=(x, floor), end_mm=(x + width, floor), width_mm=0.4, colour=_INK),
    ]
    coral = middle - 5.0
    shapes.append(Box(x_mm=coral - 1.5, y_mm=floor - 3, width_mm=3, height_mm=3, fill=_CORAL))
    shapes.append(Polygon(points_mm=_dome((coral, floor - 3), 5.5, 6.0), fill=_CORAL))
    card_y = y + _SURFACE_MM - 1.2 if name == "in air" else floor - 5.5
    card = middle + 9.0
    shapes.append(Box(x_mm=card - 7, y_mm=card_y, width_mm=14, height_mm=0.8, fill=_INK))
    if name != "in air":
        foot = floor - card_y - 0.8
        shapes.append(
            Box(x_mm=card - 0.4, y_mm=card_y + 0.8, width_mm=0.8, height_mm=foot, fill=_SIGHT)
        )
    tilted = name == "tilted"
    shapes += _phone(
        (middle + (-9.0 if tilted else 2.0), y + (3.0 if tilted else 1.5)), -42.0 * tilted
    )
    shapes += _mark(good, (x + width - 7, y + 4.5))
    shapes.append(
        Text(
            at_mm=(x, floor + 4.6),
            text=("Right: " if good else "Wrong: ") + said,
            size_mm=3.1,
            colour=_INK,
        )
    )
    return shapes


def _dome(foot: tuple[float, float], half: float, height: float) -> tuple[tuple[float, float], ...]:
    x, y = foot
    turns = [math.pi * step / 12 for step in range(13)]
    return tuple((x - half * math.cos(turn), y - height * math.sin(turn)) for turn in turns)


def _phone(centre: tuple[float, float], tilt_deg: float) -> Iterator[Shape]:
    """Draw a phone from its edge, and the two lines between which it sees."""
    cos, sin = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))

    def turned(dx: float, dy: float) -> tuple[float, float]:
        return (centre[0] + dx * cos - dy * sin, centre[1] + dx * sin + dy * cos)

    yield Polygon(
        points_mm=(turned(-6, -0.7), turned(6, -0.7), turned(6, 0.7), turned(-6, 0.7)), fill=_INK
    )
    for side in (-1, 1):
        yield Line(
            start_mm=turned(0, 1.2), end_mm=turned(side * 8.5, 12), width_mm=0.15, colour=_SIGHT
        )


def _mark(good: bool, centre: tuple[float, float]) -> Iterator[Shape]:
    """Draw a tick or a cross."""
    x, y = centre
    strokes = (
        (((-2.4, 0.2), (-0.6, 2.2)), ((-0.6, 2.2), (3, -2.4)))
        if good
        else (((-2.2, -2.2), (2.2, 2.2)), ((-2.2, 2.2), (2.2, -2.2)))
    )
    for (x1, y1), (x2, y2) in strokes:
        yield Line(start_mm=(x + x1, y + y1), end_mm=(x + x2, y + y2), width_mm=0.9, colour=_INK)
