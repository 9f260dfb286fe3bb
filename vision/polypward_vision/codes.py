"""Square codes in a photo: the card's serial, and the tags of specimens.

A code is straightened by the card's homography, each module decided by its own middle, and drawn
anew, so that the reader has a clean picture (ISO/IEC 18004 for the codes' geometry).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.cards import code_box_mm, parse_serial_code
from polypward_vision.find_card import Grey
from polypward_vision.pose import project

__all__ = ["TAG_PREFIX", "Tag", "find_tags", "read_serial", "read_tags"]

Matrix = npt.NDArray[np.float64]

# Text of a specimen's tag: this, then its name.
TAG_PREFIX = "PWTAG "
_FINE = 8  # samples a module
_DRAWN = 4  # pixels a module of the code drawn anew
_QUIET = 4  # modules of white around a code
_SMALLEST = 21  # modules along the side of a version 1 code, which a serial's always is
_LARGEST = 37  # version 5 holds 154 characters at level L
_FINDER = 7.0  # modules along the side of a finder pattern, whose middle is at 3.5
# Finder patterns are looked for in a picture of about this many pixels; more of them are not tried.
TAG_SEARCH_PX = 3_200_000
MOST_FINDERS = 24
# A dark module is darker than the mean around it by this share of the picture's light parts, and by
# as many levels at least. Of tags laid over 72 rendered photos, as many are read as with the least
# alone (2 % more in good light, none fewer in dim), and textures leave half as many outlines.
DARKER, LEAST_DARKER = 0.1, 8
# What is one has at most this share of its 49 modules wrong; and a code of those of its three, and
# of the alternating lines between them. The reader, which takes a hundred times as long, is then
# not asked about most false ones.
MOST_WRONG = 0.2
# Where a code is tried, in modules beside where its finder patterns put it.
_SHIFTS = ((0.0, 0.0), (0.2, 0.2), (-0.2, -0.2), (0.2, -0.2), (-0.2, 0.2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tag:
    """A specimen's tag in view: its name, and the corners (4, 2) of its code in card mm."""

    name: str
    corners_mm: npt.NDArray[np.float64]


@cache
def _reader() -> Any:
    return cv2.QRCodeDetector()


def read_serial(grey: Grey, *, layout: str, to_px: Matrix) -> str | None:
    """Read a card's serial from its code, whose place on the card is known.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    layout : str
        The card's layout.
    to_px : array of shape (3, 3)
        Homography from nominal card mm to decoded pixels.

    Returns
    -------
    str or None
        None where the code cannot be read or is of another layout.
    """
    x, y, side = code_box_mm(layout)
    module = side / _SMALLEST
    grid = np.array([[module, 0, x], [0, module, y], [0, 0, 1.0]])
    found = parse_serial_code(_decode(grey, to_px @ grid, _SMALLEST))
    return found[1] if found is not None and found[0] == layout else None


def read_tags(
    grey: Grey, to_px: Matrix, *, skip_mm: tuple[float, float, float, float] | None = None
) -> tuple[str, ...]:
    """Names on the specimens' tags in view, sorted, each once.

    Parameters
    ----------
    grey : uint8 array of shape (rows, cols)
        The decoded photo.
    to_px : array of shape (3, 3)
        Homography from card mm to decoded pixels; a tag should lie about parallel to that plane.
    skip_mm : (x, y, width, height), optional
        Where no tag is looked for: the card's own code.
    """
    return tuple(tag.name for tag in find_tags(grey, to_px, skip_mm=skip_mm))


def find_tags(
    grey: Grey, to_px: Matrix, *, skip_mm: tuple[float, float, float, float] | None = None
) -> tuple[Tag, ...]:
    """Find the specimens' tags in view, each name once, sorted by name; as `read_tags`."""
    found: dict[str, Tag] = {}
    for origin, along, down, count in _codes(_finders(grey, to_px, skip_mm)):
        for shift in _SHIFTS:
            x, y = origin + shift[0] * along + shift[1] * down
            grid = np.array([[along[0], down[0], x], [along[1], down[1], y], [0, 0, 1.0]])
            text = _decode(grey, to_px @ grid, count)
            if text:
                break
        name = text[len(TAG_PREFIX) :].strip() if text.upper().startswith(TAG_PREFIX) else ""
        if name and name not in found:
            ends = np.array([[0, 0], [count, 0], [count, count], [0, count]], np.float64)
            corners = origin + ends @ np.stack([along, down])
            found[name] = Tag(name=name, corners_mm=np.asarray(corners, np.float64))
    return tuple(found[name] for name in sorted(found))


def _decode(grey: Grey, to_px: Matrix, count: int) -> str:
    """Text of a code whose modules (0..count along each side) `to_px` takes to pixels, or ""."""
    step = 1 / _FINE
    grid = np.array([[step, 0, step / 2], [0, step, step / 2], [0, 0, 1.0]])
    size = (count * _FINE, count * _FINE)
    fine = cv2.warpPerspective(
        grey, to_px @ grid, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    inner = slice(_FINE // 4, _FINE - _FINE // 4)
    modules = fine.reshape(count, _FINE, count, _FINE)[:, inner, :, inner].mean(axis=(1, 3))
    dark = np.where(modules > _between(modules), np.uint8(255), np.uint8(0))
    if not _is_framed(dark > 0):
        return ""
    clean = np.pad(dark, _QUIET, constant_values=255).repeat(_DRAWN, axis=0).repeat(_DRAWN, axis=1)
    ends = np.array([(0, 0), (count, 0), (count, count), (0, count)], np.float32)
    try:  # where the code is need not be found, which takes four times as long as to read it
        text, _ = _reader().decode(clean, (ends + _QUIET)[None] * _DRAWN)
    except (cv2.error, UnicodeDecodeError):
        return ""
    return str(text)


def _between(modules: npt.NDArray[np.floating[Any]]) -> float:
    """Level halfway between dark and light modules: two means, moved until they stay."""
    level = float(modules.min() + modules.max()) / 2
    for _ in range(8):
        light = modules > level
        if not light.any() or light.all():
            break
        level = float(modules[light].mean() + modules[~light].mean()) / 2
    return level


def _finder_pattern() -> npt.NDArray[np.bool_]:
    """Light modules (7, 7) of a finder pattern: a dark square, a light and a dark ring."""
    ring = np.abs(np.arange(7) - 3)
    return np.asarray(np.maximum(ring[:, None], ring) == 2)


def _is_framed(light: npt.NDArray[np.bool_]) -> bool:
    """Tell whether the fixed modules of a code are there: finder patterns and timing patterns."""
    corners = np.stack([light[:7, :7], light[:7, -7:], light[-7:, :7]])
    lines = np.stack([light[6, 7:-7], light[7:-7, 6]])
    line = np.arange(lines.shape[1]) % 2 == 0
    return bool(
        (corners != _finder_pattern()).mean() <= MOST_WRONG and (lines != line).mean() <= MOST_WRONG
    )


def _is_finder(grey: Grey, to_px: Matrix, outline_mm: npt.NDArray[np.float32]) -> bool:
    """Tell whether the modules in an outline are those of a finder pattern."""
    corners = cv2.boxPoints(cv2.minAreaRect(outline_mm)).astype(np.float64)
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    lengths = np.linalg.norm(along), np.linalg.norm(down)
    if min(lengths) < 0.7 * max(lengths):
        return False
    middle = (np.arange(7) + 0.5) / 7
    at = corners[0] + middle[:, None, None] * down + middle[:, None] * along
    px = project(to_px, at).astype(np.float32)
    modules = cv2.remap(grey, px[..., 0], px[..., 1], cv2.INTER_LINEAR).astype(np.float64)
    wrong = (modules > _between(modules)) != _finder_pattern()
    return bool(wrong.mean() <= MOST_WRONG)


def _finders(
    grey: Grey, to_px: Matrix, skip_mm: tuple[float, float, float, float] | None
) -> list[tuple[npt.NDArray[np.float64], float]]:
    """Centres (card mm) and module sizes (mm) of what looks like finder patterns.

    A finder pattern is a dark square in a light one in a dark one, areas 9 : 25 : 49.
    """
    shrink = min(1.0, float(np.sqrt(TAG_SEARCH_PX / grey.size)))
    small = grey
    if shrink < 1:
        size = (round(grey.shape[1] * shrink), round(grey.shape[0] * shrink))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    darker = max(LEAST_DARKER, DARKER * float(np.percentile(small[::8, ::8], 95)))
    black = cv2.adaptiveThreshold(
        small, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 31, darker
    )
    contours, tree = cv2.findContours(black, cv2.RETR_TREE, cv2.CHAIN_APPROX_SIMPLE)
    if not len(contours):
        return []
    back = np.asarray(np.linalg.inv(to_px), np.float64)
    found = []
    children = [*tree[0, :, 2].tolist(), -1]  # -1 for none, which has none either
    for index, child in enumerate(children):
        if children[child] < 0:
            continue
        areas = [cv2.contourArea(contours[i]) for i in (index, child, children[child])]
        if areas[0] < 30 or not 1.2 < areas[0] / max(areas[1], 1) < 4:
            continue
        if not 1.4 < areas[1] / max(areas[2], 1) < 12:
            continue
        outline = contours[index].reshape(-1, 2).astype(np.float64)
        on_card = project(back, (outline + 0.5) / shrink - 0.5).astype(np.float32)
        area = cv2.contourArea(on_card)
        moments = cv2.moments(on_card)
        if moments["m00"] <= 0:
            continue
        centre = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
        if skip_mm is not None and _inside(centre, skip_mm):
            continue
        if not _is_finder(grey, to_px, on_card):
            continue
        found.append((centre, float(np.sqrt(area)) / _FINDER))
    found.sort(key=lambda finder: -finder[1])
    return found[:MOST_FINDERS]


def _inside(point: npt.NDArray[np.float64], box: tuple[float, float, float, float]) -> bool:
    x, y, width, height = box
    return bool(x <= point[0] <= x + width and y <= point[1] <= y + height)


def _codes(
    finders: list[tuple[npt.NDArray[np.float64], float]],
) -> Iterator[tuple[Any, Any, Any, int]]:
    """Triples of finder patterns that frame a code: its origin, one module along and down, count.

    The first is the corner: the others lie at a right angle from it, equally far.
    """
    if len(finders) < 3:
        return
    centres = np.array([centre for centre, _ in finders])
    sizes = np.array([size for _, size in finders])
    to = centres[None] - centres[:, None]  # [i, j] leads from i to j
    apart = np.linalg.norm(to, axis=2)
    one, two, three = (sizes[:, None, None], sizes[:, None], sizes)
    module = (one + two + three) / 3
    alike = np.maximum(np.maximum(one, two), three) <= 1.4 * np.minimum(np.minimum(one, two), three)
    longer = np.maximum(apart[:, :, None], apart[:, None, :])
    shorter = np.minimum(apart[:, :, None], apart[:, None, :])
    across = (
        to[:, :, None, 0] * to[:, None, :, 1] - to[:, :, None, 1] * to[:, None, :, 0]
    )  # under 0 in a mirror image
    right_angle = across >= 0.9 * apart[:, :, None] * apart[:, None, :]
    fits = (
        alike & (shorter > 0) & (shorter >= 0.85 * longer) & (longer <= 45 * module) & right_angle
    )
    for i, j, k in np.argwhere(fits):
        corner, along, down = centres[i], to[i, j], to[i, k]
        modules_apart = (apart[i, j] + apart[i, k]) / 2 / module[i, j, k]
        count = 17 + 4 * round(float(modules_apart + _FINDER - 17) / 4)
        for modules in (count, count - 4, count + 4):
            if _SMALLEST <= modules <= _LARGEST:
                step = modules - _FINDER
                origin = corner - (along + down) / step * (_FINDER / 2)
                yield origin, along / step, down / step, modules
