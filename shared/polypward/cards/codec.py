"""Card records to card.json and back, with every fault named by its path."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal, cast

from polypward.errors import CardError
from polypward.records import Card, Marker, Patch

__all__ = ["card_from_json", "card_to_json"]

_Point = tuple[float, float]


def card_to_json(card: Card) -> dict[str, Any]:
    """Give the content of card.json for a card.

    Parameters
    ----------
    card : Card
        Any card, nominal or measured.

    Returns
    -------
    dict
        JSON-able, millimetres, origin at the card's top left corner, x right, y down. ``arrow_mm``
        (tip and direction) and ``print_scale`` (x, y) are present only where the card has them.
    """
    content: dict[str, Any] = {
        "layout": card.layout,
        "version": card.version,
        "serial": card.serial,
        "size_mm": list(card.size_mm),
        "window_mm": None if card.window_mm is None else list(card.window_mm),
        "markers": [
            {
                "dictionary": marker.dictionary,
                "id": marker.id,
                "corners_mm": [list(corner) for corner in marker.corners_mm],
            }
            for marker in card.markers
        ],
        "patches": [
            {
                "name": patch.name,
                "centre_mm": list(patch.centre_mm),
                "size_mm": list(patch.size_mm),
                "lab_d50": list(patch.lab_d50),
                "neutral": patch.neutral,
            }
            for patch in card.patches
        ],
        "values": card.values,
    }
    if card.arrow_mm is not None:
        content["arrow_mm"] = [list(point) for point in card.arrow_mm]
    if card.print_scale is not None:
        content["print_scale"] = list(card.print_scale)
    return content


def card_from_json(obj: object) -> Card:
    """Make a card from the content of a card.json.

    Keys that are not known are passed over, so that a later version may carry more.

    Parameters
    ----------
    obj : object
        What ``json.load`` gave.

    Returns
    -------
    Card

    Raises
    ------
    CardError
        Naming the path and the fault of everything that is wrong, not only of the first.
    """
    faults = _Faults()
    card = _card(obj, faults)
    if faults.lines or card is None:
        raise CardError("This is not a card.json: " + "; ".join(faults.lines) + ".")
    return card


class _Faults:
    """Collects faults; every reader gives a stand-in value after adding one."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, path: str, fault: str) -> None:
        self.lines.append(f"{path} {fault}")

    def text(self, holder: Mapping[str, Any], key: str, path: str) -> str:
        value = holder.get(key)
        if not isinstance(value, str):
            self.add(path + key, "must be a text" if key in holder else "is missing")
            return ""
        return value

    def whole(self, holder: Mapping[str, Any], key: str, path: str) -> int:
        value = holder.get(key)
        if not isinstance(value, int) or isinstance(value, bool) or value < 0:
            self.add(path + key, "must be a whole number" if key in holder else "is missing")
            return 0
        return value

    def truth(self, holder: Mapping[str, Any], key: str, path: str) -> bool:
        value = holder.get(key)
        if not isinstance(value, bool):
            self.add(path + key, "must be true or false" if key in holder else "is missing")
            return False
        return value

    def numbers(self, value: object, count: int, path: str) -> tuple[float, ...]:
        stand_in = (0.0,) * count
        if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != count:
            self.add(path, f"must be a list of {count} numbers")
            return stand_in
        for index, number in enumerate(value):
            if isinstance(number, bool) or not isinstance(number, int | float):
                self.add(f"{path}[{index}]", "must be a number")
                return stand_in
            # A whole number of JSON may be too long for a float.
            if abs(number) > 1e6 or not math.isfinite(number):
                self.add(f"{path}[{index}]", "must be a number of millimetres or Lab units")
                return stand_in
        return tuple(float(number) for number in value)

    def list_of(self, holder: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
        value = holder.get(key)
        if not isinstance(value, list) or not value:
            self.add(key, "must be a list that is not empty" if key in holder else "is missing")
            return []
        items = []
        for index, item in enumerate(value):
            if isinstance(item, Mapping):
                items.append(item)
            else:
                self.add(f"{key}[{index}]", "must be an object")
                items.append({})
        return items


def _card(obj: object, faults: _Faults) -> Card | None:
    if not isinstance(obj, Mapping):
        faults.add("the whole", "must be an object")
        return None
    size = _positive_pair(obj.get("size_mm"), "size_mm", faults)
    card = Card(
        layout=faults.text(obj, "layout", ""),
        version=faults.whole(obj, "version", ""),
        serial=faults.text(obj, "serial", ""),
        size_mm=size,
        window_mm=_window(obj.get("window_mm"), size, faults),
        markers=tuple(
            _marker(item, f"markers[{index}]", faults)
            for index, item in enumerate(faults.list_of(obj, "markers"))
        ),
        patches=tuple(
            _patch(item, f"patches[{index}]", size, faults)
            for index, item in enumerate(faults.list_of(obj, "patches"))
        ),
        values=_values(obj, faults),
        print_scale=_print_scale(obj.get("print_scale"), faults),
        arrow_mm=_arrow(obj.get("arrow_mm"), faults),
    )
    for what, names in (
        ("markers", [marker.id for marker in card.markers]),
        ("patches", [patch.name for patch in card.patches]),
    ):
        if len(set(names)) != len(names):
            faults.add(what, "name one of them twice")
    return card


def _positive_pair(value: object, path: str, faults: _Faults) -> _Point:
    pair = cast(_Point, faults.numbers(value, 2, path))
    if isinstance(value, Sequence) and len(value) == 2 and min(pair) <= 0:
        faults.add(path, "must be positive")
    return pair


def _window(
    value: object, size: _Point, faults: _Faults
) -> tuple[float, float, float, float] | None:
    if value is None:
        return None
    x, y, width, height = faults.numbers(value, 4, "window_mm")
    if width <= 0 or height <= 0 or x < 0 or y < 0 or x + width > size[0] or y + height > size[1]:
        faults.add("window_mm", "must lie on the card")
    return (x, y, width, height)


def _marker(item: Mapping[str, Any], path: str, faults: _Faults) -> Marker:
    value = item.get("corners_mm")
    corners = [(0.0, 0.0)] * 4
    if not isinstance(value, list) or len(value) != 4:
        faults.add(f"{path}.corners_mm", "must be four points")
    else:
        corners = [
            cast(_Point, faults.numbers(point, 2, f"{path}.corners_mm[{index}]"))
            for index, point in enumerate(value)
        ]
        # Shoelace; positive = clockwise where y points down.
        doubled_area = sum(
            corners[index - 1][0] * corners[index][1] - corners[index][0] * corners[index - 1][1]
            for index in range(4)
        )
        if doubled_area <= 0:
            faults.add(f"{path}.corners_mm", "must be a square, its corners clockwise")
    return Marker(
        dictionary=faults.text(item, "dictionary", f"{path}."),
        id=faults.whole(item, "id", f"{path}."),
        corners_mm=(corners[0], corners[1], corners[2], corners[3]),
    )


def _patch(item: Mapping[str, Any], path: str, size: _Point, faults: _Faults) -> Patch:
    centre = cast(_Point, faults.numbers(item.get("centre_mm"), 2, f"{path}.centre_mm"))
    if not (0 <= centre[0] <= size[0] and 0 <= centre[1] <= size[1]):
        faults.add(f"{path}.centre_mm", "must lie on the card")
    lab = cast(
        tuple[float, float, float], faults.numbers(item.get("lab_d50"), 3, f"{path}.lab_d50")
    )
    # L* of a matte patch; a and b of real surface colours stay within +-128 (8-bit CIELAB range).
    if not 0 <= lab[0] <= 105 or max(abs(lab[1]), abs(lab[2])) > 128:
        faults.add(f"{path}.lab_d50", "must be a CIELAB colour: L 0..105, a and b within 128")
    return Patch(
        name=faults.text(item, "name", f"{path}."),
        centre_mm=centre,
        size_mm=_positive_pair(item.get("size_mm"), f"{path}.size_mm", faults),
        lab_d50=lab,
        neutral=faults.truth(item, "neutral", f"{path}."),
    )


def _values(obj: Mapping[str, Any], faults: _Faults) -> Literal["nominal", "measured"]:
    value = obj.get("values")
    if value == "measured":
        return "measured"
    if value != "nominal":
        faults.add("values", 'must be "nominal" or "measured"')
    return "nominal"


def _print_scale(value: object, faults: _Faults) -> _Point | None:
    if value is None:
        return None
    return _positive_pair(value, "print_scale", faults)


def _arrow(value: object, faults: _Faults) -> tuple[_Point, _Point] | None:
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        faults.add("arrow_mm", "must be two pairs: the tip and the direction")
        return None
    tip, direction = (
        cast(_Point, faults.numbers(point, 2, f"arrow_mm[{index}]"))
        for index, point in enumerate(value)
    )
    if direction == (0.0, 0.0):
        faults.add("arrow_mm[1]", "must point somewhere")
    return (tip, direction)
