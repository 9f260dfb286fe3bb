"""The colour of a photo by its card: tone curves, light field, matrix, and how good they are."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from polypward.cards import patch_colour
from polypward.records import Card, ColourGrade
from polypward_vision.colour.apply import Correction, features
from polypward_vision.colour.field import LightField, fit_light_field
from polypward_vision.colour.gate import Judgement, blue_shares, judge
from polypward_vision.colour.linearise import ToneCurves, fit_tone_curves
from polypward_vision.colour.patches import PatchSamples
from polypward_vision.colour.science import (
    D50_WHITE,
    SRGB_TO_XYZ_D50,
    delta_e_2000,
    lab_to_xyz,
    xyz_to_lab,
)
from polypward_vision.photo import DecodedPhoto

__all__ = ["FEWEST_PATCHES", "ColourFit", "fit_colour"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Patches a linear fit needs, and those a root-polynomial one needs to be no worse (simulated).
FEWEST_PATCHES = 6
FOR_ROOT_POLYNOMIAL = 12
# A patch is left out when it misses by this many times the median, and by more than the least.
OUTLIER_TIMES, OUTLIER_DE00 = 4.0, 8.0
# At most this share is left out; a card of which more disagrees is not understood.
MOST_LEFT_OUT = 0.35
ROUNDS = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourFit:
    """The fitted correction and what is to be said about it.

    `grade` is ``refused`` where colour must not be given. `de00_mean` and `de00_max` are the
    left-out errors of the card's colours. `patch_lab` (P, 3) are the corrected patches, NaN where
    a patch was not usable; None without a fit. `blue` is the blue score and `shares` (3, 3) what it
    is made of (see `polypward_vision.colour.gate`). `correction` is None where nothing could be
    fitted.
    """

    grade: ColourGrade
    notes: tuple[str, ...]
    why: str = ""
    de00_mean: float | None = None
    de00_max: float | None = None
    blue: float | None = None
    shares: Array | None = None
    correction: Correction | None = None
    patch_lab: Array | None = None
    lab_sd: float | None = None


def fit_colour(
    photo: DecodedPhoto,
    samples: PatchSamples,
    card: Card,
    *,
    residuals: npt.ArrayLike | None = None,
    model: Literal["linear", "root-polynomial"] = "linear",
) -> ColourFit:
    """Fit the correction of a photo to its card and judge it.

    Parameters
    ----------
    photo : DecodedPhoto
        For its encoding.
    samples : PatchSamples
        Of the card's patches.
    card : Card
        Reference colours and, in true millimetres, places of the patches.
    residuals : array of shape (P, 3), optional
        Mean corrected minus nominal Lab of this card's patches in earlier photos; NaN = unknown.
    model : "linear" or "root-polynomial"
        A 3x3 matrix, or the six root-polynomial terms of degree 2 (Finlayson, Mackiewicz & Hurlbert
        2015, IEEE TIP 24(5):1460-1470) where enough patches are usable.
    """
    reference = np.array([patch.lab_d50 for patch in card.patches], np.float64)
    known = card.values == "measured"
    if residuals is not None and not known:
        taken_off = np.asarray(residuals, np.float64)
        if taken_off.shape == reference.shape and np.isfinite(taken_off).any():
            reference = reference + np.nan_to_num(taken_off)
            known = True
    neutral = np.array([patch.neutral for patch in card.patches])
    usable = samples.usable
    if (usable & ~neutral).sum() < FEWEST_PATCHES or (usable & neutral).sum() < FEWEST_PATCHES // 2:
        return _refused(
            f"{int(usable.sum())} of {len(usable)} patches usable, the others are clipped, "
            "shaded, covered or outside"
        )
    centres = np.array([patch.centre_mm for patch in card.patches], np.float64)
    xyz = np.asarray(lab_to_xyz(reference), np.float64)
    kept, curves, field, light = usable, None, LightField(size_mm=card.size_mm), samples.linear
    matrix, lab = np.asarray(SRGB_TO_XYZ_D50.T), reference
    groups = np.unique([patch_colour(patch.name) for patch in card.patches], return_inverse=True)[1]
    kind = model if usable.sum() >= FOR_ROOT_POLYNOMIAL else "linear"
    for turn in range(ROUNDS):
        grey = kept & neutral if (kept & neutral).sum() >= FEWEST_PATCHES else usable & neutral
        shine = field.at(centres[:, 0], centres[:, 1])
        curves = fit_tone_curves(
            samples.linear[grey],
            _channels(xyz[grey], matrix) * shine[grey, None],
            smooth=card.values != "measured",
        )
        if curves is None:
            return _refused("the grey patches do not rise from black to white")
        flat = curves(samples.linear)
        # Brightness against what is expected: of greys at first, of every colour once the
        # matrix is known.
        if turn == 0:
            brightness, told = flat.mean(axis=1), usable & neutral
        else:
            brightness, told = (features(flat, kind) @ matrix)[:, 1], kept
        log_light = np.log(np.maximum(brightness, 1e-4) / np.maximum(xyz[:, 1], 1e-4))
        field, _ = fit_light_field(log_light, centres, told * 1.0, size_mm=card.size_mm)
        light = flat / field.at(centres[:, 0], centres[:, 1])[:, None]
        matrix, lab, kept = _fit_matrix(light, xyz, reference, usable, kind)
    left_out = _left_out(light, xyz, kept, groups, kind)
    error = np.asarray(delta_e_2000(left_out, reference)[kept], np.float64)
    assert curves is not None  # the loop ran
    shares = blue_shares(light[kept], xyz[kept])
    judgement = judge(
        blue=shares,
        de00_mean=float(error.mean()),
        de00_max=float(error.max()),
        known=known,
        left_out_share=1 - float(kept.sum() / usable.sum()),
    )
    return _finish(
        photo,
        card,
        judgement,
        shares=shares,
        curves=curves,
        field=field,
        matrix=matrix,
        kind=kind,
        lab=np.where(usable[:, None], lab, np.nan),
        error=error,
        white=_white(samples, reference, kept & neutral),
    )


def _channels(xyz: Array, matrix: Array) -> Array:
    """Balanced channels that patches should show: 1 for white, nearly Y for what is nearly grey.

    By the matrix of the round before; a root-polynomial one is not turned round, sRGB's serves.
    """
    back = np.linalg.inv(matrix if matrix.shape == (3, 3) else SRGB_TO_XYZ_D50.T)
    shares = (xyz @ back) / (D50_WHITE @ back)
    grey = xyz[:, 1:2]
    return np.asarray(np.clip(shares, 0.5 * grey, 2 * grey), np.float64)


def _refused(why: str) -> ColourFit:
    return ColourFit(grade="refused", notes=("colour-refused",), why=why)


def _weights(xyz: Array) -> Array:
    """Weights that make errors of XYZ count about as they do in Lab: slope of the cube root."""
    return np.asarray(1 / (xyz[:, 1] + 0.03) ** (2 / 3))


def _solve(design: Array, xyz: Array, rows: Mask) -> Array:
    weight = _weights(xyz)[rows, None]
    solution, *_ = np.linalg.lstsq(design[rows] * weight, xyz[rows] * weight, rcond=None)
    return np.asarray(solution, np.float64)


def _lab(xyz: Array) -> Array:
    return np.asarray(xyz_to_lab(np.maximum(xyz, 1e-5)), np.float64)


def _fit_matrix(
    light: Array, xyz: Array, reference: Array, usable: Mask, kind: str
) -> tuple[Array, Array, Mask]:
    """Least squares over the usable patches, again and again without those that miss by far."""
    design = features(light, kind)
    kept = usable
    matrix = _solve(design, xyz, kept)
    for _ in range(6):
        error = delta_e_2000(_lab(design @ matrix), reference)
        limit = max(OUTLIER_TIMES * float(np.median(error[kept])), OUTLIER_DE00)
        limit = max(limit, float(np.quantile(error[usable], 1 - MOST_LEFT_OUT)))
        now = usable & (error <= limit)
        if np.array_equal(now, kept):
            break
        kept = now
        matrix = _solve(design, xyz, kept)
    return matrix, _lab(design @ matrix), kept


def _left_out(light: Array, xyz: Array, kept: Mask, groups: npt.NDArray[Any], kind: str) -> Array:
    """Lab of every patch by a matrix fitted without any patch of its colour.

    By the block form of the hat matrix, without fitting again: for the rows g of one colour the
    left-out residuals are ``(I - H_gg)^-1 r_g``.
    """
    design, weight = features(light, kind), _weights(xyz)[:, None]
    a, b = (design * weight)[kept], (xyz * weight)[kept]
    inverse = np.linalg.pinv(a.T @ a)
    residual = b - a @ (inverse @ (a.T @ b))
    out = np.full(xyz.shape, np.nan)
    rows = np.flatnonzero(kept)
    for group in np.unique(groups[kept]):
        mine = np.flatnonzero(groups[kept] == group)
        hat = a[mine] @ inverse @ a[mine].T
        missed = np.linalg.pinv(np.eye(len(mine)) - hat) @ residual[mine]
        out[rows[mine]] = (b[mine] - missed) / weight[rows[mine]]
    return _lab(out)


def _white(samples: PatchSamples, reference: Array, neutral: Mask) -> Array | None:
    """Photo's own linear RGB of the brightest usable grey, scaled to Y = 1."""
    if not neutral.any():
        return None
    level = np.where(neutral, reference[:, 0], -np.inf)
    brightest = neutral & (level > level.max() - 2)
    y = float(lab_to_xyz(np.array([level.max(), 0, 0]))[1])
    return np.asarray(samples.linear[brightest].mean(axis=0) / y)


def _finish(
    photo: DecodedPhoto,
    card: Card,
    judgement: Judgement,
    *,
    shares: Array,
    curves: ToneCurves,
    field: LightField,
    matrix: Array,
    kind: Literal["linear", "root-polynomial"],
    lab: Array,
    error: Array,
    white: Array | None,
) -> ColourFit:
    correction = Correction(
        kind=kind,
        curves=curves(photo.icc.to_linear(np.linspace(0, photo.top, 256)[:, None].repeat(3, 1))).T,
        matrix=matrix,
        field=field,
        white=None if white is None else (float(white[0]), float(white[1]), float(white[2])),
    )
    grade: ColourGrade = "measured" if card.values == "measured" else "relative"
    if judgement.refused:
        grade = "refused"
    return ColourFit(
        grade=grade,
        notes=judgement.notes,
        why=judgement.why,
        de00_mean=float(error.mean()),
        de00_max=float(error.max()),
        blue=judgement.blue,
        shares=shares,
        correction=correction,
        patch_lab=lab,
        lab_sd=float(np.sqrt((error**2).mean() / 3)),
    )
