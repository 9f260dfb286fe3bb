"""Area, cover, tissue map and colour on held-out phantoms, each photo read once for all of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from bench.rows import Row, Size
from bench.shots import WHITE_LAMPS, Shot, card_of, each, held_out, model, settings_of
from polypward.cards import patch_colour
from polypward.errors import PhotoRejectedError
from polypward.labels import BARE, LABEL_NAMES, LIVE, OVERGROWN
from polypward_vision import measure_photo
from polypward_vision.load import decode

__all__ = ["Figures", "measure", "read", "rows"]

CLASSES = (LIVE, BARE, OVERGROWN)
ENOUGH_MM2 = 50.0  # of a class, for its IoU in a photo to mean something
REACH_IOU = {LIVE: 0.95, BARE: 0.85, OVERGROWN: 0.85}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What came of one photo, areas in mm².

    `overlaps` has intersection and union of each class, and at last of the whole specimen.
    """

    code: str  # of its rejection; empty = accepted
    white: bool
    live_mm2: float = 0.0
    true_live_mm2: float = 0.0
    live_sd: float = 0.0
    cover: float = 0.0
    true_cover: float = 0.0
    cover_sd: float = 0.0
    true_mm2: tuple[float, ...] = ()
    overlaps: tuple[tuple[float, float], ...] = ()
    left_out: tuple[float, ...] = ()  # dE00 of patches not used in the fit
    lab_error: float | None = None  # dE00 of the mean live colour
    grade: str = ""


def read(shot: Shot) -> Figures:
    """Read one photo with its measured card and the true height, and compare with the truth."""
    white = shot.scene.lighting.lamp.name in WHITE_LAMPS
    truth = shot.truth
    try:
        result = measure_photo(
            decode(shot.jpeg),
            settings=settings_of(shot),
            cards=[card_of(shot, measured=True)],
            model=model(),
        )
    except PhotoRejectedError as error:
        return Figures(code=error.code, white=white)
    reading = result.reading
    assert reading.tile_x_mm is not None
    assert reading.tile_y_mm is not None
    assert reading.tile_mm_per_px is not None
    labels = truth.labels(
        reading.tile_x_mm, reading.tile_y_mm, reading.tile_mm_per_px, result.mask.shape
    )
    pixel_mm2 = reading.tile_mm_per_px**2
    overlaps = tuple(_overlap(result.mask == one, labels == one, pixel_mm2) for one in CLASSES)
    overlaps += (_overlap(result.mask > 0, labels > 0, pixel_mm2),)
    return Figures(
        code="",
        white=white,
        live_mm2=reading.live_mm2 or 0.0,
        true_live_mm2=truth.live_mm2,
        live_sd=reading.live_mm2_sd or 0.0,
        cover=reading.live_cover or 0.0,
        true_cover=truth.live_cover,
        cover_sd=reading.live_cover_sd or 0.0,
        true_mm2=(truth.live_mm2, truth.bare_mm2, truth.overgrown_mm2),
        overlaps=overlaps,
        left_out=left_out_errors(shot),
        lab_error=_lab_error((reading.L, reading.a, reading.b), truth.lab_live),
        grade=reading.colour_grade or "",
    )


def _overlap(
    found: npt.NDArray[np.bool_], true: npt.NDArray[np.bool_], pixel_mm2: float
) -> tuple[float, float]:
    both, either = np.count_nonzero(found & true), np.count_nonzero(found | true)
    return both * pixel_mm2, either * pixel_mm2


def _lab_error(
    found: tuple[float | None, ...], true: tuple[float, float, float] | None
) -> float | None:
    from polypward_vision.colour.science import delta_e_2000

    if true is None or None in found:
        return None
    return float(delta_e_2000(np.array(found, float), np.array(true)))


def left_out_errors(shot: Shot, *, seed: int = 0) -> tuple[float, ...]:
    """dE00 of patches that took no part in the fit: a random half of the chromatic colours.

    The fit sees the measured values of the other half and of all greys.
    """
    from polypward_vision.colour.correct import fit_colour
    from polypward_vision.colour.science import delta_e_2000
    from polypward_vision.sight import find, look_at_card

    found, photo = find(decode(shot.jpeg))
    sight = look_at_card(photo, found, settings_of(shot), [card_of(shot, measured=True)])
    patches = sight.card.patches
    colours = sorted({patch_colour(one.name) for one in patches if not one.neutral})
    rng = np.random.default_rng([seed, len(shot.jpeg)])
    out = set(rng.choice(colours, len(colours) // 2, replace=False))
    chosen = np.array([patch_colour(one.name) in out for one in patches])
    kept = replace(sight.samples, inside=sight.samples.inside & ~chosen)
    fit = fit_colour(photo, kept, sight.card)
    if fit.correction is None:
        return ()
    errors = []
    levels = np.linspace(0, 1, photo.icc.curves.shape[1])
    for index in np.flatnonzero(chosen & sight.samples.usable):
        linear = sight.samples.linear[index]
        values = [np.interp(linear[c], photo.icc.curves[c], levels) for c in range(3)]
        pixel = np.round(np.array(values) * 65535).astype(np.uint16)[None, None]
        x, y = patches[index].centre_mm
        lab = fit.correction.to_lab(pixel, x_mm=x, y_mm=y, mm_per_px=1e-3)[0, 0]
        errors.append(float(delta_e_2000(lab.astype(float), np.array(patches[index].lab_d50))))
    return tuple(errors)


def _shot_and_read(index: int, *, seed: int) -> Figures:
    return read(held_out(seed, index))


def measure(size: Size) -> list[Row]:
    """Render and read `size.photos` photos."""
    work = partial(_shot_and_read, seed=size.seed)
    return rows(list(each(work, range(size.photos), jobs=size.jobs)), size)


def rows(figures: Sequence[Figures], size: Size) -> list[Row]:
    """Condense the photos' figures into the rows of the table."""
    read_ones = [one for one in figures if not one.code]
    codes = sorted(one.code for one in figures if one.code)
    common = f"{len(read_ones)} photos, 8-50 MP, tilt 0-25°, both layouts, seed {size.seed}"
    if not read_ones:
        return [Row(what="photos", reach="", measured=f"none read: {codes}", settings=common)]
    return [
        Row(
            what="photos read",
            reach="",
            measured=f"{len(read_ones)} of {len(figures)}",
            settings="; ".join(dict.fromkeys(codes)) or "none rejected",
        ),
        *_area_rows(read_ones, common),
        *_map_rows(read_ones, common),
        *_colour_rows(read_ones),
    ]


def _area_rows(figures: Sequence[Figures], common: str) -> list[Row]:
    alive = [one for one in figures if one.true_live_mm2 >= ENOUGH_MM2]
    ratio = np.array([one.live_mm2 / one.true_live_mm2 for one in alive])
    z = np.array([(one.live_mm2 - one.true_live_mm2) / max(one.live_sd, 1e-9) for one in alive])
    bias, rsd = 100 * (ratio.mean() - 1), 100 * ratio.std(ddof=1)
    middle = 100 * (np.median(ratio) - 1)
    robust = 100 * 1.4826 * float(np.median(np.abs(ratio - np.median(ratio))))
    inside = float(np.mean(np.abs(z) <= 2))
    within = float(np.mean(np.abs(z) <= 1))
    cover = np.array([abs(one.cover - one.true_cover) for one in figures])
    off = cover / np.array([max(one.cover_sd, 1e-9) for one in figures])
    lean = float(np.mean([one.cover - one.true_cover for one in figures]))
    return [
        Row(
            what="live area, bias",
            reach="within 1 %",
            measured=f"{bias:+.2f} % (median {middle:+.2f} %)",
            settings=f"{common}; true height given; {len(alive)} with >= 50 mm² live",
            reached=abs(bias) <= 1,
        ),
        Row(
            what="live area, RSD",
            reach="<= 2 %",
            measured=f"{rsd:.2f} % (robust {robust:.2f} %)",
            settings=f"the same; {100 * inside:.0f} % within 2 of their own SD",
            reached=rsd <= 2,
        ),
        Row(
            what="live area within its own SD",
            reach="60-76 %",
            measured=f"{100 * within:.0f} %",
            settings=f"the same; 68 % if errors were normal, {100 * inside:.0f} % within 2 SD",
            reached=0.60 <= within <= 0.76,
        ),
        Row(
            what="live cover, mean absolute error",
            reach="<= 0.02",
            measured=f"{cover.mean():.4f} (median {np.median(cover):.4f})",
            settings=f"{common}; mean error {lean:+.4f}",
            reached=cover.mean() <= 0.02,
        ),
        Row(
            what="live cover within its own SD",
            reach="60-76 %",
            measured=f"{100 * np.mean(off <= 1):.0f} %",
            settings=f"the same; {100 * np.mean(off <= 2):.0f} % within 2 SD",
            reached=bool(0.60 <= np.mean(off <= 1) <= 0.76),
        ),
    ]


def _map_rows(figures: Sequence[Figures], common: str) -> list[Row]:
    found = []
    for position, label in enumerate(CLASSES):
        enough = [one for one in figures if one.true_mm2[position] >= ENOUGH_MM2]
        if not enough:
            continue
        each_photo = [one.overlaps[position][0] / one.overlaps[position][1] for one in enough]
        both = sum(one.overlaps[position][0] for one in figures)
        either = sum(one.overlaps[position][1] for one in figures)
        mean = float(np.mean(each_photo))
        found.append(
            Row(
                what=f"tissue map, IoU {LABEL_NAMES[label]}",
                reach=f">= {REACH_IOU[label]}",
                measured=f"{mean:.3f} mean, {both / either:.3f} pooled",
                settings=f"{len(enough)} photos with >= 50 mm²; worst {min(each_photo):.2f}",
                reached=mean >= REACH_IOU[label],
            )
        )
    whole = [one.overlaps[-1][0] / one.overlaps[-1][1] for one in figures]
    found.append(
        Row(
            what="outline of the whole specimen, IoU",
            reach="",
            measured=f"{np.mean(whole):.3f} mean, {np.median(whole):.3f} median",
            settings=f"{common}; worst {min(whole):.2f}",
        )
    )
    return found


def _colour_rows(figures: Sequence[Figures]) -> list[Row]:
    white = [one for one in figures if one.white]
    left_out = np.array([error for one in white for error in one.left_out])
    made = []
    if left_out.size:
        middle, most = np.median(left_out), np.percentile(left_out, 95)
        made.append(
            Row(
                what="colour, patches not used in the fit, dE00",
                reach="median <= 1.5, 95 % <= 4",
                measured=f"median {middle:.2f}, 95 % {most:.2f}",
                settings=(
                    f"measured card, {len(white)} photos under white LED or daylight 4000-7500 K, "
                    f"half of the chromatic patches left out, {left_out.size} patches"
                ),
                reached=bool(middle <= 1.5 and most <= 4),
            )
        )
    live = np.array([one.lab_error for one in white if one.lab_error is not None])
    if live.size:
        middle, most = np.median(live), np.percentile(live, 95)
        made.append(
            Row(
                what="colour of the live tissue, dE00 of the mean",
                reach="",
                measured=f"median {middle:.2f}, 95 % {most:.2f}",
                settings=f"the same photos ({live.size} with colour), map errors included",
            )
        )
    return made
