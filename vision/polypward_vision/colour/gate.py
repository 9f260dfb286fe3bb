"""When colour is refused: lamps too blue to see colours by, and corrections that do not hold."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from polypward_vision.colour.science import SRGB_TO_XYZ_D50

__all__ = ["Judgement", "blue_score", "blue_shares", "blue_terms", "judge"]

Array = npt.NDArray[np.float64]

# Left-out error, dE00: over the inner limits it is uncertain, over the outer ones refused.
INNER_MEAN, INNER_MAX = 2.0, 7.0
OUTER_MEAN, OUTER_MAX = 4.0, 15.0
# A printed card of unknown values carries its printer's error in the left-out error. Until that is
# known only a photo beyond any printer is refused by it.
UNKNOWN_MEAN, UNKNOWN_MAX = 12.0, 40.0
# Patches that the fit had to leave out.
MOST_LEFT_OUT = 0.3
# Blue score: logistic regression between white lamps and lamps with 75 to 100 % of their power at
# 450 nm, on 4 500 simulated photos (``python -m bench.colour_gate``: 43 sensors, with and without a
# colour matrix, print errors of 0 to 9 dE). On sensors left out of the fit a score over 0.5
# refuses 0.5 % of white photos (0.8 % at 9 dE), 6 % at 25 % blue, 53 % at 50 %, 97 % at 75 % and
# 99.8 % or more from 80 % on.
BLUE_WEIGHTS = (-8.83, 21.87, -8.56, -4.70)
BLUE_CONSTANT = -1.42
BLUE_UNCERTAIN, BLUE_REFUSED = -0.5, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Whether colour may be given, with notes and a sentence."""

    refused: bool
    notes: tuple[str, ...]
    why: str
    blue: float


def blue_shares(light: Array, xyz: Array) -> Array:
    """How the photo's channels follow the patches' red, green and blue, (3, 3).

    Row c holds the weights of linear sRGB red, green and blue of the patches in balanced channel
    c: near the identity in white light. Under a blue lamp every channel follows the patches'
    blue. The regression runs from the printed colours to the photo, so it is well conditioned
    under every lamp, and a printer's errors, which do not know the lamp, move it little.

    Parameters
    ----------
    light : array of shape (P, 3)
        Balanced light of the patches.
    xyz : array of shape (P, 3)
        Their reference XYZ D50.
    """
    colours = xyz @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    weight = 1 / (xyz[:, 1:2] + 0.05) ** (2 / 3)
    shares, *_ = np.linalg.lstsq(colours * weight, light * weight, rcond=None)
    return np.asarray(shares.T, np.float64)


def blue_terms(shares: Array) -> Array:
    """Give the shares that tell: red's and green's blue, blue's green, blue's blue."""
    return np.array([shares[0, 2], shares[1, 2], shares[2, 1], shares[2, 2]])


def blue_score(shares: Array) -> float:
    """One number for how blue the lamp is, from `blue_shares`."""
    return float(np.dot(blue_terms(shares), BLUE_WEIGHTS) + BLUE_CONSTANT)


def judge(
    *, blue: Array, de00_mean: float, de00_max: float, known: bool, left_out_share: float
) -> Judgement:
    """Decide from the photo's own figures.

    Parameters
    ----------
    blue : array of shape (3, 3)
        From `blue_shares`.
    de00_mean, de00_max : float
        Left-out errors.
    known : bool
        True if the card's printed colours are known: measured, or learnt from earlier photos.
    left_out_share : float
        Share of usable patches that disagreed with the rest.
    """
    score = blue_score(blue)
    mean, largest = (OUTER_MEAN, OUTER_MAX) if known else (UNKNOWN_MEAN, UNKNOWN_MAX)
    if score > BLUE_REFUSED:
        why = f"the lamp is too blue to see colours by (blue score {score:.1f})"
    elif de00_mean > mean or de00_max > largest:
        why = (
            f"left-out error {de00_mean:.1f} (at most {mean:g}), "
            f"largest {de00_max:.1f} (at most {largest:g})"
        )
    elif left_out_share > MOST_LEFT_OUT:
        why = f"{left_out_share:.0%} of the patches disagree with the rest"
    else:
        inner = known and (de00_mean > INNER_MEAN or de00_max > INNER_MAX)
        doubt = inner or score > BLUE_UNCERTAIN or (not known and de00_mean > UNKNOWN_MEAN * 0.75)
        notes = ("colour-uncertain",) if doubt else ()
        return Judgement(refused=False, notes=notes, why="", blue=score)
    return Judgement(refused=True, notes=("colour-refused",), why=why, blue=score)
