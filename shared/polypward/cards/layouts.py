"""The printed layouts, read from the data files beside this module."""

import json
from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Any

from polypward.cards.codec import card_from_json
from polypward.errors import CardError
from polypward.records import Card, Point

__all__ = ["LAYOUTS", "code_box_mm", "layout_of_marker", "load_layout", "patch_colour", "scaled"]

LAYOUTS: tuple[str, ...] = ("frame", "strip")

# Last words of patch names that only say where a colour is that the card carries more than once.
_PLACES = frozenset({"top", "right", "bottom", "left", "centre"})


@cache
def _content(name: str) -> dict[str, Any]:
    if name not in LAYOUTS:
        raise CardError(f"No card layout is called {name!r}; there are: {', '.join(LAYOUTS)}.")
    text = files("polypward.cards").joinpath(f"{name}.json").read_text(encoding="utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


@cache
def load_layout(name: str) -> Card:
    """Give the nominal card of a layout, with an empty serial.

    Parameters
    ----------
    name : str
        One of `LAYOUTS`.

    Returns
    -------
    Card
        Millimetres, nominal CIELAB D50 values (those of the 8-bit sRGB values that are printed).

    Raises
    ------
    CardError
        If there is no such layout.
    """
    return card_from_json(_content(name))


def code_box_mm(layout: str) -> tuple[float, float, float]:
    """Where the QR code of a layout stands: x, y of its top left module and its side, card mm.

    The quiet zone lies outside this box.

    Raises
    ------
    CardError
        If there is no such layout.
    """
    x, y, side = _content(layout)["code_mm"]
    return (float(x), float(y), float(side))


@cache
def _layout_by_marker() -> dict[int, str]:
    return {marker.id: name for name in LAYOUTS for marker in load_layout(name).markers}


def layout_of_marker(marker_id: int) -> str | None:
    """Name the layout that a marker of DICT_APRILTAG_36h11 belongs to; None for a foreign one."""
    return _layout_by_marker().get(int(marker_id))


def patch_colour(name: str) -> str:
    """Give the colour word of a patch name, without its place: ``"tan left"`` -> ``"tan"``."""
    words = name.split()
    return " ".join(words[:-1]) if len(words) > 1 and words[-1] in _PLACES else name


def scaled(card: Card) -> Card:
    """Apply the print scale to every length of a card.

    Parameters
    ----------
    card : Card
        Nominal millimetres; `print_scale` is the true size over the nominal size along x and y,
        or None, which leaves the card as it is.

    Returns
    -------
    Card
        True millimetres, with no print scale left to apply.
    """
    if card.print_scale is None:
        return card
    by_x, by_y = card.print_scale

    def point(at: Point) -> Point:
        return (at[0] * by_x, at[1] * by_y)

    window = card.window_mm
    return replace(
        card,
        size_mm=point(card.size_mm),
        window_mm=None if window is None else (*point(window[:2]), *point(window[2:])),
        markers=tuple(
            replace(
                marker,
                corners_mm=(
                    point(marker.corners_mm[0]),
                    point(marker.corners_mm[1]),
                    point(marker.corners_mm[2]),
                    point(marker.corners_mm[3]),
                ),
            )
            for marker in card.markers
        ),
        patches=tuple(
            replace(patch, centre_mm=point(patch.centre_mm), size_mm=point(patch.size_mm))
            for patch in card.patches
        ),
        print_scale=None,
        arrow_mm=None if card.arrow_mm is None else (point(card.arrow_mm[0]), card.arrow_mm[1]),
    )
