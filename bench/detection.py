"""Whether the card is found, at every tilt that counts, in both layouts."""

from functools import partial

import numpy as np

from bench.rows import Row, Size
from bench.shots import Shot, each, held_out, nominal_reading
from polypward.errors import PhotoRejectedError

__all__ = ["look", "measure", "rows", "shot"]

MEGAPIXELS = 5.0
MOST_TILT_DEG = 35.0
NOT_FOUND = ("no-card", "two-cards", "card-cut", "card-small")
# Layout, code of its rejection, true tilt in degrees, error of the tilt in degrees and of the
# camera's distance in per cent (None where not given).
Look = tuple[str, str, float, float | None, float | None]


def shot(index: int, *, seed: int, photos: int) -> Shot:
    """Render photo `index` of `photos`: tilts rise from 0 to 35 degrees, layouts take turns."""
    tilt = MOST_TILT_DEG * index / max(photos - 1, 1)
    layout = ("frame", "strip")[index % 2]
    return held_out(seed + 1, index, megapixels=MEGAPIXELS, layout=layout, tilt_deg=min(tilt, 34.9))


def look(one: Shot) -> Look:
    """Read a photo and keep what it says of the card and the camera."""
    assert one.scene.printed is not None
    layout = one.scene.printed.card.layout
    try:
        reading = nominal_reading(one)
    except PhotoRejectedError as error:
        return layout, error.code, one.tilt_deg, None, None
    tilt = None if reading.tilt_deg is None else reading.tilt_deg - one.tilt_deg
    away = None
    if reading.camera_mm is not None:
        true = one.truth.camera_mm
        away = 100 * (reading.camera_mm / true - 1)
    return layout, "", one.tilt_deg, tilt, away


def _work(
    index: int, *, seed: int, photos: int
) -> tuple[str, str, float, float | None, float | None]:
    return look(shot(index, seed=seed, photos=photos))


def measure(size: Size) -> list[Row]:
    """Render and look at `size.poses` photos."""
    work = partial(_work, seed=size.seed, photos=size.poses)
    return rows(list(each(work, range(size.poses), jobs=size.jobs)), size)


def rows(looks: list[Look], size: Size) -> list[Row]:
    """Condense into rows."""
    made = []
    for layout in ("frame", "strip"):
        codes = [code for one, code, *_ in looks if one == layout]
        found = [code not in NOT_FOUND for code in codes]
        lost = sorted({code for code in codes if code})
        made.append(
            Row(
                what=f"card found, {layout}",
                reach=">= 99 %",
                measured=f"{100 * np.mean(found):.1f} % ({sum(found)} of {len(found)})",
                settings=f"{MEGAPIXELS:.0f} MP, tilt 0-35°, seed {size.seed}"
                + (f"; codes: {', '.join(lost)}" if lost else ""),
                reached=bool(np.mean(found) >= 0.99),
            )
        )
    tilts = np.abs([tilt for *_, tilt, _ in looks if tilt is not None])
    away = np.array([value for *_, value in looks if value is not None])
    if len(tilts) and len(away):
        made.append(
            Row(
                what="tilt and camera distance",
                reach="",
                measured=f"tilt off by {np.median(tilts):.1f}° (median), "
                f"distance {np.mean(away):+.1f} ± {np.std(away):.1f} %",
                settings=f"{len(tilts)} and {len(away)} photos that give them, focal by EXIF",
            )
        )
    return made
