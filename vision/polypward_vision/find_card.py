"""Find the card in a photo: its markers, its layout, its serial, and what is wrong with it."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.cards import layout_of_marker, load_layout
from polypward.errors import PhotoRejectedError
from polypward.records import Card
from polypward_vision.corners import refine_corners
from polypward_vision.photo import DecodedPhoto, Pixels

__all__ = ["FEWEST_MARKERS", "FoundCard", "find_card", "grey_of"]

Points = npt.NDArray[np.float64]
Grey = npt.NDArray[np.uint8]

# This many markers fix the card's plane well enough (one alone is 1 % off in area).
FEWEST_MARKERS = 3
# Markers are looked for in pictures of about these many pixels, then in the decoded one, with these
# windows of the adaptive threshold (first, last, step): a single one first, as it costs a third.
SEARCHES = ((500_000, (13, 13, 10)), (1_100_000, (3, 23, 10)))
ALL_WINDOWS = (3, 23, 10)
# A card is too small where a full-size pixel covers more of it than this, mm: a module of the
# smallest marker would be three pixels wide, and half a pixel of outline 0.25 mm.
COARSEST_MM_PER_PX = 0.5
# One channel is taken alone where it has this many times the contrast of luma.
STRONGER = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCard:
    """The markers of one card, in decoded pixels (pixel centres are whole numbers).

    `corners_px` and `corners_mm` have the shape (4 x markers, 2): the same corners in the photo
    and on the nominal card, marker by marker.
    """

    layout: str
    marker_ids: tuple[int, ...]
    corners_px: Points
    corners_mm: Points

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
    its contrast evened out (dim and shaded photos).

    Raises
    ------
    PhotoRejectedError
        ``no-card``, ``two-cards``, ``card-cut`` or ``card-small``.
    """
    best: dict[int, list[Points]] = {}
    whole = grey_of(photo.rgb)
    for seen in _views(whole):
        if _count(seen) > _count(best):
            best = seen
        if _enough(best):
            break
    layout = _one_layout(best)
    ids = tuple(sorted(best))
    refined = refine_corners(whole, np.concatenate([best[marker][0] for marker in ids]))
    by_id = {marker.id: marker.corners_mm for marker in load_layout(layout).markers}
    found = FoundCard(
        layout=layout,
        marker_ids=ids,
        corners_px=refined,
        corners_mm=np.concatenate([np.array(by_id[marker], np.float64) for marker in ids]),
    )
    _check(found, photo)
    return found


def _views(whole: Grey) -> Iterator[dict[int, list[Points]]]:
    """Markers by id in one picture after another, cheapest first."""
    rows, cols = whole.shape
    for pixels, windows in SEARCHES:
        share = float(np.sqrt(pixels / (rows * cols)))
        if share < 1:
            size = (round(cols * share), round(rows * share))
            small = cv2.resize(whole, size, interpolation=cv2.INTER_AREA)
            yield _markers(np.asarray(small, np.uint8), size[0] / cols, windows)
    yield _markers(whole, 1.0, ALL_WINDOWS)
    even = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8))
    yield _markers(np.asarray(even.apply(whole), np.uint8), 1.0, ALL_WINDOWS)


@cache
def _detector(windows: tuple[int, int, int]) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    # Refined later, in the larger picture; the AprilTag refinement sits half a pixel off.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.minMarkerPerimeterRate = 0.02
    parameters.adaptiveThreshWinSizeMin = windows[0]
    parameters.adaptiveThreshWinSizeMax = windows[1]
    parameters.adaptiveThreshWinSizeStep = windows[2]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(dictionary, parameters)


def _markers(grey: Grey, share: float, windows: tuple[int, int, int]) -> dict[int, list[Points]]:
    """Corners (4, 2) in decoded pixels of every card marker in a picture, by marker id."""
    corners, ids, _ = _detector(windows).detectMarkers(grey)
    seen: dict[int, list[Points]] = {}
    for square, marker in zip(corners, [] if ids is None else ids.ravel(), strict=True):
        if layout_of_marker(int(marker)) is None:
            continue
        points = (square.reshape(4, 2).astype(np.float64) + 0.5) / share - 0.5
        side = float(np.linalg.norm(points[1] - points[0]))
        others = seen.setdefault(int(marker), [])
        if all(np.linalg.norm(points.mean(0) - other.mean(0)) > side / 2 for other in others):
            others.append(points)
    return seen


def _count(seen: dict[int, list[Points]]) -> int:
    return sum(len(squares) for squares in seen.values())


def _layouts(seen: dict[int, list[Points]]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for marker in seen:
        layout = layout_of_marker(marker) or ""
        counts[layout] = counts.get(layout, 0) + 1
    return counts


def _enough(seen: dict[int, list[Points]]) -> bool:
    """Tell whether looking again gains nothing: a card's markers are there, of many all but one."""
    counts = _layouts(seen)
    return any(
        count >= max(FEWEST_MARKERS + 1, len(load_layout(layout).markers) - 1)
        for layout, count in counts.items()
    )


def _one_layout(seen: dict[int, list[Points]]) -> str:
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
