"""Is the ward's own model better? Corrected maps, read by a model that did not learn from them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN
from polypward_vision.tissue.mapping import Labeller, map_tissue
from polypward_vision.tissue.taught import Lesson, fit_taught

__all__ = ["FEWEST_MAPS", "HeldOut", "Verdict", "judge_taught"]

Labels = npt.NDArray[np.uint8]

# Corrected maps, and specimens, without which nothing can be held out for a fair comparison.
FEWEST_MAPS, FEWEST_SPECIMENS = 3, 2
# Models fitted for the comparison at most; specimens share them evenly.
MOST_FITS = 6
# A label counts in a map from this area on, mm².
ENOUGH_MM2 = 10.0
# The ward's model is taken if its mean overlap is better by more than this and by more than the
# standard error of the difference, and its live cover is not worse by more than this.
LEAST_GAIN, COVER_SLACK = 0.003, 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldOut:
    """One corrected map, read by the base model and by a model that did not learn from it.

    `overlap` is the mean intersection over union of the labels that the map shows; `cover` the
    error of live cover; the first of each pair is the base model's.
    """

    overlap: tuple[float, float]
    cover: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether the ward's own model beats the base model, and by what. Pairs: base, ward."""

    better: bool
    why: str
    maps: int
    overlap: tuple[float, float] | None = None
    cover: tuple[float, float] | None = None


def judge_taught(lessons: Sequence[Lesson], specimens: Sequence[str], base: Labeller) -> Verdict:
    """Compare the base model with the ward's own on maps that the latter did not learn from.

    Parameters
    ----------
    lessons : sequence of Lesson
        Corrected maps.
    specimens : sequence of str
        Whose each is: all maps of a specimen are held out together.
    base : Labeller
        The base model.

    Returns
    -------
    Verdict
        `better` is False where there are too few maps to tell.
    """
    names = sorted(set(specimens))
    count = len(lessons)
    if count < FEWEST_MAPS or len(names) < FEWEST_SPECIMENS:
        return Verdict(
            better=False,
            maps=count,
            why=f"{count} corrected {'map' if count == 1 else 'maps'} of {len(names)} "
            f"{'specimen' if len(names) == 1 else 'specimens'}: a fair comparison needs "
            f"{FEWEST_MAPS} maps of {FEWEST_SPECIMENS} specimens or more",
        )
    figures = []
    for fold in range(min(MOST_FITS, len(names))):
        out = {name for index, name in enumerate(names) if index % MOST_FITS == fold}
        pairs = list(zip(lessons, specimens, strict=True))
        model = fit_taught([one for one, name in pairs if name not in out], base=base, seed=fold)
        for lesson in (one for one, name in pairs if name in out):
            own = model.reconsider(lesson.tile.lab, lesson.chances, mm_per_px=lesson.tile.mm_per_px)
            figures.append(_held_out(lesson, own))
    return _verdict(figures)


def _verdict(figures: Sequence[HeldOut]) -> Verdict:
    overlap = np.array([one.overlap for one in figures])
    cover = np.array([one.cover for one in figures])
    gain = overlap[:, 1] - overlap[:, 0]
    error = float(gain.std(ddof=1) / np.sqrt(len(gain)))
    worse_cover = float(cover[:, 1].mean() - cover[:, 0].mean())
    why = "it reads maps that it did not learn from better than the base model"
    better = True
    if gain.mean() <= max(LEAST_GAIN, error):
        better, why = False, "its gain is no larger than chance could make it"
    elif worse_cover > COVER_SLACK:
        better, why = False, "its live cover is further off than the base model's"
    return Verdict(
        better=better,
        why=why,
        maps=len(figures),
        overlap=(float(overlap[:, 0].mean()), float(overlap[:, 1].mean())),
        cover=(float(cover[:, 0].mean()), float(cover[:, 1].mean())),
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """Stands in for a model whose answer is known."""

    chances: npt.NDArray[np.float32]

    def probabilities(self, *_: Any, **__: Any) -> npt.NDArray[np.float32]:
        """Return what is known."""
        return self.chances


def _held_out(lesson: Lesson, own: npt.NDArray[np.float32]) -> HeldOut:
    truth, valid = lesson.tile.labels, lesson.tile.valid
    overlaps, covers = [], []
    for chances in (lesson.chances, own):
        found = map_tissue(
            lesson.tile.lab,
            valid=valid,
            mm_per_px=lesson.tile.mm_per_px,
            model=_Said(chances),
            aim_mm=lesson.tile.centre_mm,
        ).labels
        overlaps.append(_overlap(found, truth, lesson.tile.mm_per_px))
        covers.append(abs(_cover(found) - _cover(truth)))
    return HeldOut(overlap=(overlaps[0], overlaps[1]), cover=(covers[0], covers[1]))


def _overlap(found: Labels, truth: Labels, mm_per_px: float) -> float:
    """Mean intersection over union of the labels that the true map shows."""
    shares = []
    for label in (LIVE, BARE, OVERGROWN):
        there = truth == label
        if np.count_nonzero(there) * mm_per_px**2 < ENOUGH_MM2:
            continue
        either = np.count_nonzero(there | (found == label))
        shares.append(np.count_nonzero(there & (found == label)) / either)
    return float(np.mean(shares)) if shares else float(not found.any())


def _cover(labels: Labels) -> float:
    whole = np.count_nonzero(labels != BACKGROUND)
    return float(np.count_nonzero(labels == LIVE) / whole) if whole else 0.0
