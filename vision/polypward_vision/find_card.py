"""Find the card in a photo: its markers, its layout, its serial, and what is wrong with it."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.cards import LAYOUTS, layout_of_marker, load_layout
from polypward.errors import PhotoRejectedError
from polypward.records import Card
from polypward_vision.corners import refine_corners
from polypward_vision.markers import find_markers, markers_at
from polypward_vision.photo import DecodedPhoto, Pixels

__all__ = ["FEWEST_MARKERS", "FoundCard", "all_markers", "find_card", "grey_of"]

Points = npt.NDArray[np.float64]
Grey = npt.NDArray[np.uint8]
Seen = dict[int, list[Points]]  # squares (4, 2) in decoded pixels by marker

# This many markers fix the card's plane well enough (one alone is 1 % off in area).
FEWEST_MARKERS = 3
# Markers are looked for in pictures of about these many pixels, then in the decoded one, with these
# windows of the adaptive threshold one after another.
SEARCHES = ((350_000, (13,)), (1_100_000, (13, 23, 7)))
WHOLE_WINDOWS = (23, 13, 7, 3)
# A card is too small where a full-size pixel covers more of it than this, mm: a module of the
# smallest marker would be three pixels wide, and half a pixel of outline 0.25 mm.
COARSEST_MM_PER_PX = 0.5
# One channel is taken alone where it has this many times the contrast of luma.
STRONGER = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCard:
    """The markers of one card, in decoded pixels (pixel centres are whole numbers).

    `corners_px` and `corners_mm` have the shape (4 x markers, 2): the same corners in the photo
    and on the nominal card, marker by marker. `grey` is the photo as `grey_of` makes it.
    """

    layout: str
    marker_ids: tuple[int, ...]
    corners_px: Points
    corners_mm: Points
    grey: Grey

    @property
    def card(self) -> Card:
        """The nominal card of this layout."""
        return load_layout(self.layout)


def grey_of(rgb: Pixels) -> Grey:
    """Grey picture of 8 bits, (rows, cols); one channel where the others show little.

    Under a blue lamp luma, a tenth of which is blue, would be mostly the noise of red and green.
    """
    if rgb.dtype == np.uint16:
        rgb = (rgb >> 8).astype(np.uint8)
    contrast = [float(rgb[::8, ::8, channel].std()) for channel in range(3)]
    strongest = int(np.argmax(contrast))
    grey: Any = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if contrast[strongest] > STRONGER * float(grey[::8, ::8].std()):
        grey = np.ascontiguousarray(rgb[..., strongest])
    return grey  # type: ignore[no-any-return]


def find_card(photo: DecodedPhoto) -> FoundCard:
    """Find the one card in a photo.

    Markers are searched at reduced scale; where too few show up, in the decoded picture, then with
    its contrast evened out (dim and shaded photos). Those that are not seen are then looked at
    where the others tell that they lie.

    Raises
    ------
    PhotoRejectedError
        ``no-card``, ``two-cards``, ``card-cut`` or ``card-small``.
    """
    whole = grey_of(photo.rgb)
    best = _look(whole)
    layout = _one_layout(best)
    ids = tuple(sorted(best))
    refined = refine_corners(whole, np.concatenate([best[marker][0] for marker in ids]))
    by_id = {marker.id: marker.corners_mm for marker in load_layout(layout).markers}
    found = FoundCard(
        layout=layout,
        marker_ids=ids,
        corners_px=refined,
        corners_mm=np.concatenate([np.array(by_id[marker], np.float64) for marker in ids]),
        grey=whole,
    )
    _check(found, photo)
    return found


def _look(whole: Grey) -> Seen:
    """Most markers that any look shows; looks end where another would gain nothing."""
    best: Seen = {}
    for seen, last_look in _looks(whole):
        if _count(seen) > _count(best):
            best = _complete(whole, seen)
        layouts = _layouts(best).values()
        if layouts and max(layouts) >= FEWEST_MARKERS + (not last_look):
            break
    return best


def all_markers(whole: Grey) -> Seen:
    """Give every square of every marker of the cards that any look shows, by marker."""
    seen: Seen = {}
    for found, _ in _looks(whole):
        for marker, squares in found.items():
            for square in squares:
                _add(seen, marker, square)
    return seen


def _looks(whole: Grey) -> Iterator[tuple[Seen, bool]]:
    """Markers by id in one look after another, cheapest first; whether the fewest will do now."""
    rows, cols = whole.shape
    for pixels, windows in SEARCHES:
        share = float(np.sqrt(pixels / (rows * cols)))
        if share < 1:
            size = (round(cols * share), round(rows * share))
            small = _smaller(whole, size)
            yield from _by_windows(small, size[0] / cols, windows, False)
    yield {}, True
    yield from _by_windows(whole, 1.0, WHOLE_WINDOWS, True)
    even = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8))
    yield from _by_windows(np.asarray(even.apply(whole), np.uint8), 1.0, WHOLE_WINDOWS, True)


def _smaller(grey: Grey, size: tuple[int, int]) -> Grey:
    """Shrink a picture to (cols, rows), fast: halved while it can be, then interpolated."""
    while grey.shape[1] >= 2 * size[0]:
        half = (grey.shape[1] // 2, grey.shape[0] // 2)
        grey = np.asarray(cv2.resize(grey, half, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR), np.uint8)


def _by_windows(
    grey: Grey, share: float, windows: tuple[int, ...], last_look: bool
) -> Iterator[tuple[Seen, bool]]:
    seen: Seen = {}
    for window in windows:
        for marker, square in find_markers(grey, window=window, ids=_card_ids()):
            _add(seen, marker, (square + 0.5) / share - 0.5)
        yield seen, last_look


@cache
def _card_ids() -> tuple[int, ...]:
    return tuple(marker.id for name in LAYOUTS for marker in load_layout(name).markers)


def _complete(whole: Grey, seen: Seen) -> Seen:
    """Add markers that lie where those seen tell: shaded ones, or with an edge hidden."""
    layouts = _layouts(seen)
    layout = max(layouts, key=lambda name: layouts[name], default="")
    if layouts.get(layout, 0) < 2 or any(len(squares) > 1 for squares in seen.values()):
        return seen
    by_id = {marker.id: np.array(marker.corners_mm) for marker in load_layout(layout).markers}
    seen = dict(seen)
    for _ in range(2):
        known = [marker for marker in seen if marker in by_id]
        missing = [marker for marker in by_id if marker not in seen]
        if not missing:
            break
        mm = np.concatenate([by_id[marker] for marker in known])
        px = refine_corners(whole, np.concatenate([seen[marker][0] for marker in known]))
        to_px: Any = cv2.findHomography(mm, px)[0]
        if to_px is None:
            break
        corners = np.array([by_id[marker] for marker in missing])
        at = np.asarray(cv2.perspectiveTransform(corners, to_px), np.float64)
        inside = np.all((at >= 0) & (at <= np.array(whole.shape[::-1]) - 1), axis=(1, 2))
        if not inside.any():
            break
        squares = refine_corners(whole, at[inside].reshape(-1, 2)).reshape(-1, 4, 2)
        expected = [marker for marker, ok in zip(missing, inside, strict=True) if ok]
        for marker, square, ok in zip(
            expected, squares, markers_at(whole, squares, expected), strict=True
        ):
            if ok:
                seen[marker] = [square]
    return seen


def _add(seen: Seen, marker: int, square: Points) -> None:
    """Add a marker unless it is seen at that place already."""
    side = float(np.linalg.norm(square[1] - square[0]))
    others = seen.setdefault(marker, [])
    if all(np.linalg.norm(square.mean(0) - other.mean(0)) > side / 2 for other in others):
        others.append(square)


def _count(seen: Seen) -> int:
    return sum(len(squares) for squares in seen.values())


def _layouts(seen: Seen) -> dict[str, int]:
    counts: dict[str, int] = {}
    for marker in seen:
        layout = layout_of_marker(marker) or ""
        counts[layout] = counts.get(layout, 0) + 1
    return counts


def _one_layout(seen: Seen) -> str:
    counts = _layouts(seen)
    if not counts:
        raise PhotoRejectedError("no-card", "no marker of a card was seen")
    twice = sorted(marker for marker, squares in seen.items() if len(squares) > 1)
    if twice:
        raise PhotoRejectedError("two-cards", f"marker {twice[0]} is in the picture twice")
    if len(counts) > 1 and min(counts.values()) >= FEWEST_MARKERS - 1:
        raise PhotoRejectedError("two-cards", " and ".join(sorted(counts)) + " cards are in view")
    layout = max(counts, key=lambda name: counts[name])
    for marker in [marker for marker in seen if layout_of_marker(marker) != layout]:
        del seen[marker]
    return layout


def _check(found: FoundCard, photo: DecodedPhoto) -> None:
    """Refuse a card that is too small, or of which too few markers are left."""
    square, nominal = found.corners_px.reshape(-1, 4, 2), found.corners_mm.reshape(-1, 4, 2)
    sides_px = np.linalg.norm(square - np.roll(square, 1, axis=1), axis=2).mean() * photo.scale
    sides_mm = np.linalg.norm(nominal - np.roll(nominal, 1, axis=1), axis=2).mean()
    count, of = len(found.marker_ids), len(found.card.markers)
    if sides_mm / sides_px > COARSEST_MM_PER_PX:
        raise PhotoRejectedError(
            "card-small",
            f"{sides_mm / sides_px:.2f} mm of the card a pixel, at most {COARSEST_MM_PER_PX}",
        )
    if count < FEWEST_MARKERS:
        raise PhotoRejectedError(
            "card-cut", f"{count} of {of} markers seen, {FEWEST_MARKERS} are needed"
        )
