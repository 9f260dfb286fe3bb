"""A photo that shows two cards: the patches of one by the other, whose colours are known.

So a new card is bridged to an old one, and a printed card takes its values from a measured one.
"""

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.cards import LAYOUTS, layout_of_marker, load_layout, scaled
from polypward.errors import PhotoRejectedError
from polypward.records import Card
from polypward_vision.codes import read_serial
from polypward_vision.colour.apply import features
from polypward_vision.colour.correct import fit_colour
from polypward_vision.colour.field import fit_light_field
from polypward_vision.colour.patches import PatchSamples, sample_patches
from polypward_vision.colour.science import lab_to_xyz, xyz_to_lab
from polypward_vision.corners import refine_corners
from polypward_vision.find_card import FEWEST_MARKERS, FoundCard, all_markers, grey_of
from polypward_vision.photo import DecodedPhoto
from polypward_vision.pose import find_pose

__all__ = ["find_cards", "seen_by"]

Array = npt.NDArray[np.float64]
# A marker belongs to a card whose other markers tell its corners to this many of its sides.
NEAR_SIDES = 0.5


def find_cards(photo: DecodedPhoto) -> list[FoundCard]:
    """Find every card in a photo of which enough markers are seen, of any layout."""
    grey = grey_of(photo.rgb)
    seen = all_markers(grey)
    cards = []
    for layout in LAYOUTS:
        left = {
            marker: list(squares)
            for marker, squares in seen.items()
            if layout_of_marker(marker) == layout
        }
        while (taken := _one_card(left, layout)) and len(taken) >= FEWEST_MARKERS:
            ids = tuple(sorted(taken))
            by_id = {one.id: one.corners_mm for one in load_layout(layout).markers}
            corners = np.concatenate([taken[one] for one in ids])
            cards.append(
                FoundCard(
                    layout=layout,
                    marker_ids=ids,
                    corners_px=refine_corners(grey, corners),
                    corners_mm=np.concatenate([np.array(by_id[one], float) for one in ids]),
                    grey=grey,
                )
            )
            for one in ids:
                left[one] = [square for square in left[one] if square is not taken[one]]
    return cards


def _one_card(seen: dict[int, list[Array]], layout: str) -> dict[int, Array]:
    """Take the markers of one card: the largest set that one plane explains."""
    by_id = {one.id: np.array(one.corners_mm, float) for one in load_layout(layout).markers}
    best: dict[int, Array] = {}
    for first, squares in seen.items():
        for square in squares:
            plane: Any = cv2.findHomography(by_id[first], square)[0]
            if plane is None:
                continue
            taken = {first: square}
            for _ in range(3):  # one marker's plane is a rough guide; each that joins betters it
                now = _joining(seen, by_id, taken, plane)
                if len(now) == len(taken):
                    break
                taken = now
                ids = list(taken)
                plane = cv2.findHomography(
                    np.concatenate([by_id[one] for one in ids]),
                    np.concatenate([taken[one] for one in ids]),
                )[0]
            if len(taken) > len(best):
                best = taken
    return best


def _joining(
    seen: dict[int, list[Array]], by_id: dict[int, Array], taken: dict[int, Array], plane: Any
) -> dict[int, Array]:
    """Add the markers that lie where a card's plane tells, nearer ones first in doubt."""
    joined = dict(taken)
    middle = np.concatenate([by_id[one] for one in taken]).mean(axis=0)
    for other, candidates in seen.items():
        if other in joined or not candidates:
            continue
        at = cv2.perspectiveTransform(by_id[other][None], plane)[0]
        side = float(np.linalg.norm(at[1] - at[0]))
        away = float(np.linalg.norm(by_id[other].mean(axis=0) - middle))
        reach = side * NEAR_SIDES * (1 + (away / 40 if len(taken) == 1 else 0))
        near = min(candidates, key=lambda one: float(np.linalg.norm(one - at)))
        if np.linalg.norm(near - at, axis=1).max() < reach:
            joined[other] = near
    return joined


def seen_by(
    photo: DecodedPhoto, known: Card, *, new_serial: str, new_layout: str, residuals: Array | None
) -> Array:
    """Read the patches of a new card by a known one in the same photo.

    Parameters
    ----------
    photo : DecodedPhoto
        Shows both.
    known : Card
        Whose colours are the reference, measured or as its earlier photos left them.
    new_serial, new_layout : str
        Of the card to be read.
    residuals : array of shape (P, 3), or None
        The known card's mean print residuals where its colours were not measured.

    Returns
    -------
    array of shape (P, 3)
        CIELAB D50 of the new card's patches, NaN where one cannot be read. Uneven light over the
        new card is taken out by its greys, so its own white keeps its nominal lightness.

    Raises
    ------
    PhotoRejectedError
        If both cards are not found, or colour is refused.
    """
    old = new = None
    for found in find_cards(photo):
        nominal, _ = cv2.findHomography(found.corners_mm, found.corners_px)
        serial = read_serial(found.grey, layout=found.layout, to_px=np.asarray(nominal, np.float64))
        if serial == known.serial:
            old = found
        elif serial == new_serial and found.layout == new_layout:
            new = found
    if old is None or new is None:
        missing = known.serial if old is None else new_serial
        raise PhotoRejectedError("no-card", f"the card {missing} was not found in it")
    true = scaled(known)
    samples = _samples(photo, old, true)
    fit = fit_colour(photo, samples, true, residuals=residuals)
    if fit.correction is None or fit.grade == "refused":
        raise PhotoRejectedError("colour-refused", fit.why or "the light is too blue")
    card = replace(load_layout(new_layout), serial=new_serial)
    read = _samples(photo, new, card)
    light = _balanced(photo, fit.correction.curves, read.linear)
    xyz = features(light, fit.correction.kind) @ fit.correction.matrix
    return _evened(xyz, card, read)


def _balanced(photo: DecodedPhoto, curves: Array, linear: Array) -> Array:
    """Balanced light (P, 3) of patches given in linear light of the photo's own encoding."""
    out = np.empty_like(linear)
    steps = np.linspace(0, 1, photo.icc.curves.shape[1])
    for channel in range(3):
        value = np.interp(linear[:, channel], photo.icc.curves[channel], steps)
        out[:, channel] = np.interp(value, np.linspace(0, 1, curves.shape[1]), curves[channel])
    return out


def _samples(photo: DecodedPhoto, found: FoundCard, card: Card) -> PatchSamples:
    corners_mm = found.corners_mm * np.array(card.size_mm) / np.array(found.card.size_mm)
    pose = find_pose(found.corners_px, corners_mm, shape=photo.rgb.shape[:2], scale=photo.scale)
    return sample_patches(photo, card, pose.to_px)


def _evened(xyz: Array, card: Card, read: PatchSamples) -> Array:
    """Take the light's unevenness over the new card out, by its greys."""
    nominal = np.asarray(lab_to_xyz(np.array([one.lab_d50 for one in card.patches])), np.float64)
    neutral = np.array([one.neutral for one in card.patches]) & read.usable
    if neutral.sum() < 3:
        raise PhotoRejectedError("glare", "too few grey patches of the new card can be read")
    centres = np.array([one.centre_mm for one in card.patches], np.float64)
    ratio = np.maximum(xyz[:, 1], 1e-4) / np.maximum(nominal[:, 1], 1e-4)
    log_light = np.asarray(np.log(ratio), np.float64)
    weights = neutral.astype(np.float64)
    field, _ = fit_light_field(log_light, centres, weights, size_mm=card.size_mm)
    level = float(np.exp(np.median((log_light - np.log(field.at(*centres.T)))[neutral])))
    even = xyz / (field.at(centres[:, 0], centres[:, 1]) * level)[:, None]
    lab = np.asarray(xyz_to_lab(np.maximum(even, 1e-5)), np.float64)
    return np.where(read.usable[:, None], lab, np.nan)
