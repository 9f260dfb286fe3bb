"""Measures of a tissue map: areas, cover, colour, each with its standard deviation."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.tissue.around import around

__all__ = ["AreaSd", "Measures", "area_rsd", "measure"]

Mask = npt.NDArray[np.bool_]
Lab = npt.NDArray[np.float32]

# Print scale of a card that was never measured, one SD of a length.
UNMEASURED_SCALE = 0.01
# Heights above the card: how well a given one is known, and an unknown one guessed at all, mm.
GIVEN_HEIGHT_SD_MM, UNKNOWN_HEIGHT_SD_MM = 1.0, 4.0
# A phone's usual distance, for photos that do not tell theirs, mm (common practice, no source).
USUAL_CAMERA_MM = 350.0
# The next three were set on 324 cut-outs of held-out phantoms (`HELD_OUT`): 77 and 73 % of the
# errors lie within one SD, 93 and 88 % within two; for unseen ones, see `docs/accuracy.md`.
# Where an outline is drawn by the tissue map, one SD, all along it to the same side, mm.
OUTLINE_SD_MM = 0.03
# Live area that is off, one SD, as a share of what the map itself expects to be mislabelled.
AREA_PER_DOUBT = 0.22
# Live cover that is off, one SD, as a share of what the map itself expects on the wrong side of
# live and not live.
COVER_PER_SIDES = 0.25
LEAST_COVER_SD = 0.005
# SD of cover per share of the specimen under white spots, whose soft rims hide about as much again.
HIDDEN_SPREAD = 1.5
# From this tilt on the SD grows, doubling over so many degrees.
WIDER_FROM_DEG, DOUBLES_OVER_DEG = 25.0, 10.0
# Bare skeleton smaller than this gives no colour of its own, mm².
LEAST_BARE_MM2 = 10.0
# Step of the palette of live colours, Lab units, and how many there are at most on each side of 0.
PALETTE_STEP, PALETTE_CELLS = 5.0, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaSd:
    """What the uncertainty of an area comes from, relative standard deviations."""

    corners: float
    print_scale: float
    height: float
    tilt_factor: float = 1.0

    @property
    def scale(self) -> float:
        """All that moves every area of the photo alike."""
        return float(
            np.sqrt(self.corners**2 + self.print_scale**2 + self.height**2) * self.tilt_factor
        )


def area_rsd(
    *,
    rms_px: float,
    corners: int,
    span_px: float,
    print_scale_known: bool,
    height_known: bool,
    camera_mm: float | None,
    tilt_deg: float | None,
) -> AreaSd:
    """Relative SD of areas from corners, print scale, height and tilt.

    Parameters
    ----------
    rms_px : float
        Root mean square miss of the corners per coordinate.
    corners : int
        How many corners were fitted.
    span_px : float
        Length of the side of the square that they span. Four corners of a square of side L with
        noise s give sqrt(2) s / L; more of them average.
    camera_mm, tilt_deg : float or None
        As far as known.
    """
    distance = camera_mm or USUAL_CAMERA_MM
    height_sd = GIVEN_HEIGHT_SD_MM if height_known else UNKNOWN_HEIGHT_SD_MM
    over = max(0.0, (tilt_deg or 0.0) - WIDER_FROM_DEG)
    return AreaSd(
        corners=float(np.sqrt(2) * rms_px / span_px * np.sqrt(4 / max(corners, 4))),
        print_scale=0.0 if print_scale_known else 2 * UNMEASURED_SCALE,
        height=2 * height_sd / distance,
        tilt_factor=1 + over / DOUBLES_OVER_DEG,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measures:
    """Areas in mm², cover 0..1, CIELAB D50; colour is None where it is refused or absent."""

    live_mm2: float
    live_mm2_sd: float
    bare_mm2: float
    overgrown_mm2: float
    live_cover: float | None
    live_cover_sd: float | None
    perimeter_mm: float
    mean_lab: tuple[float, float, float] | None
    bare_lab: tuple[float, float, float] | None
    palette: npt.NDArray[np.float32] | None


def measure(
    labels: npt.NDArray[np.uint8],
    *,
    mm_per_px: float,
    rsd: AreaSd,
    lab: Lab | None,
    left_out: Mask,
    doubt: float = 0.0,
    sides: float = 0.0,
    hidden: float = 0.0,
) -> Measures:
    """Measure a tissue map.

    Parameters
    ----------
    labels : uint8 array of shape (rows, cols)
        Labels of `polypward.labels`.
    mm_per_px : float
        Side of a pixel in mm.
    rsd : AreaSd
        From `area_rsd`.
    lab : float32 array of shape (rows, cols, 3), or None
        Corrected CIELAB D50; None where colour is refused.
    left_out : bool array of shape (rows, cols)
        Glints and clipped pixels, which colour leaves out.
    doubt : float
        Mean over the specimen's pixels of 1 minus the probability of their label, 0..1.
    sides : float
        Mean over the specimen's pixels of the probability that they are on the other side of live
        and not live, 0..1.
    hidden : float
        Share of the specimen under white spots, 0..1: of its cover that much may be either.
    """
    pixel = mm_per_px**2
    live, bare, overgrown = (labels == kind for kind in (LIVE, BARE, OVERGROWN))
    areas = [float(np.count_nonzero(mask)) * pixel for mask in (live, bare, overgrown)]
    total = sum(areas)
    perimeter_mm = crofton_mm(live, mm_per_px)
    edge_mm2 = OUTLINE_SD_MM * perimeter_mm
    map_mm2 = AREA_PER_DOUBT * doubt * total
    area_sd = float(np.sqrt((areas[0] * rsd.scale) ** 2 + edge_mm2**2 + map_mm2**2))
    cover = cover_sd = None
    if total > 0:
        cover = areas[0] / total
        inner_mm2 = OUTLINE_SD_MM * _border_mm(live, bare | overgrown, mm_per_px)
        map_share = COVER_PER_SIDES * sides
        parts = (LEAST_COVER_SD, map_share, inner_mm2 / total, HIDDEN_SPREAD * hidden)
        cover_sd = float(np.linalg.norm(parts))
    live_lab, bare_lab = (_colours(lab, mask & ~left_out) for mask in (live, bare))
    return Measures(
        live_mm2=areas[0],
        live_mm2_sd=area_sd,
        bare_mm2=areas[1],
        overgrown_mm2=areas[2],
        live_cover=cover,
        live_cover_sd=cover_sd,
        perimeter_mm=perimeter_mm,
        mean_lab=_mean(live_lab, least=1),
        bare_lab=_mean(bare_lab, least=LEAST_BARE_MM2 / pixel),
        palette=_palette(live_lab, live_mm2=areas[0]),
    )


def crofton_mm(mask: Mask, mm_per_px: float) -> float:
    """Perimeter of a mask by Crofton's formula in four directions, which is free of bias."""
    from skimage.measure import perimeter_crofton

    if not mask.any():
        return 0.0
    part = np.pad(mask[around(mask.astype(np.uint8), room=0)], 1)
    return float(perimeter_crofton(part, directions=4)) * mm_per_px


def _border_mm(one: Mask, other: Mask, mm_per_px: float) -> float:
    """Length of the border between two masks, from counts of neighbours (mean over directions)."""
    count = sum(
        np.count_nonzero(a & b)
        for a, b in (
            (one[:, 1:], other[:, :-1]),
            (one[:, :-1], other[:, 1:]),
            (one[1:], other[:-1]),
            (one[:-1], other[1:]),
        )
    )
    return float(count) * mm_per_px * np.pi / 4


def _colours(lab: Lab | None, mask: Mask) -> Lab:
    """Colours (N, 3) of a mask's pixels; none where colour is refused."""
    if lab is None:
        return np.empty((0, 3), np.float32)
    return lab.reshape(-1, 3).take(np.flatnonzero(mask), axis=0)


def _mean(colours: Lab, *, least: float) -> tuple[float, float, float] | None:
    if len(colours) < least:
        return None
    L, a, b = (float(v) for v in colours.mean(axis=0, dtype=np.float64))  # noqa: N806
    return (L, a, b)


def _palette(colours: Lab, *, live_mm2: float) -> npt.NDArray[np.float32] | None:
    """Mean colour and area of every occupied cell of a Lab grid, (K, 4); areas sum to the live."""
    if not len(colours):
        return None
    cells = np.floor(colours / PALETTE_STEP).clip(-PALETTE_CELLS, PALETTE_CELLS).astype(np.int32)
    cells -= cells.min(axis=0)
    place = np.ravel_multi_index(tuple(cells.T), tuple(cells.max(axis=0) + 1))
    count = np.bincount(place)
    sums = [np.bincount(place, weights=colours[:, channel])[count > 0] for channel in range(3)]
    count = count[count > 0]
    mean = np.stack(sums, axis=1) / count[:, None]
    area = count * (live_mm2 / len(colours))
    return np.column_stack([mean, area]).astype(np.float32)


def check_labels(labels: npt.NDArray[np.uint8]) -> bool:
    """Tell whether every value of a map is a label."""
    return bool(np.isin(labels, (BACKGROUND, LIVE, BARE, OVERGROWN)).all())
