"""One photo to one reading: the straight line through all stages."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.cards import code_box_mm
from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import Card, PhotoSettings
from polypward_vision.assemble import assemble
from polypward_vision.codes import Tag, find_tags, read_tags
from polypward_vision.colour.apply import Correction, plain_correction
from polypward_vision.colour.correct import ColourFit, fit_colour
from polypward_vision.corrected import CorrectedMap
from polypward_vision.find_card import grey_of
from polypward_vision.lens import Lens, straightened
from polypward_vision.photo import DecodedPhoto
from polypward_vision.pose import project
from polypward_vision.registration import Outlined, carried, lightness
from polypward_vision.result import PhotoResult
from polypward_vision.sight import Sight, find, look_at_card
from polypward_vision.tag_marks import boxes_of_card, marked_tags
from polypward_vision.tile import Tile, TileFrame, cut_tile, frame_beside, frame_of_picture
from polypward_vision.tissue import Labeller, TissueMap, map_tissue
from polypward_vision.tray import measure_tray, without_tags

__all__ = ["measure_photo"]

Mask = npt.NDArray[np.bool_]
Residuals = Mapping[str, npt.NDArray[np.floating[Any]]]


def measure_photo(
    photo: DecodedPhoto,
    *,
    settings: PhotoSettings,
    cards: Sequence[Card] = (),
    model: Labeller,
    print_residuals: Residuals | None = None,
    corrected_map: CorrectedMap | None = None,
    tray: bool = True,
    corrected_parts: Mapping[str, CorrectedMap] = MappingProxyType({}),
    outlined: Outlined | None = None,
    lens: Lens | None = None,
) -> PhotoResult:
    """Measure the specimen in a photo of it beside a card, or each of several with their tags.

    Parameters
    ----------
    photo : DecodedPhoto
        From `polypward_vision.load`.
    settings : PhotoSettings
        Height, water, lamp, scale, outline: what is known besides the pixels.
    cards : sequence of Card
        The ward's own cards; a card in view with the serial of one of them takes its values and
        print scale, any other the nominal layout.
    model : Labeller
        Labels the cut-out.
    print_residuals : mapping of serial to array of shape (P, 3), optional
        What a serial's patches missed their nominal Lab by in earlier photos, on the mean: its
        printer's error, which is no fault of this photo.
    corrected_map : CorrectedMap, optional
        A person's tissue map; it replaces the model's.
    tray : bool
        Whether a photo with several tags is measured tag by tag (see `polypward_vision.tray`).
    corrected_parts : mapping of str to CorrectedMap, optional
        People's maps of the specimens of a tray photo, by tag.
    outlined : Outlined, optional
        An earlier cut-out of the specimen with a person's outline, which is carried to this photo
        where it has none of its own (see `polypward_vision.registration`).
    lens : Lens, optional
        A calibration of the photo's camera.

    Returns
    -------
    PhotoResult
        Areas in mm², lengths in mm, CIELAB D50.

    Raises
    ------
    PhotoRejectedError
        With the reason's code and what was seen.
    BadInputError
        If `corrected_map` does not fit the cut-out or holds other values than labels.
    """
    if settings.mm_per_px is not None:
        return _without_card(photo, settings, settings.mm_per_px, model, corrected_map)
    found, photo = find(straightened(photo, lens))
    sight = look_at_card(photo, found, settings, cards)
    colour = _colour(sight, settings, print_residuals or {})
    height_mm = _usable_height(sight, settings)
    with _telling(sight, colour):
        correction = _usable_correction(sight, colour)
        tags = _tags(sight, height_mm, settings.tag_marks)
        if tray and len(tags) > 1:
            return measure_tray(
                tags,
                cut=lambda frame: _cut_at(sight, height_mm, frame),
                colours=lambda tile: _lab(tile, correction),
                finish=lambda tile, lab, tissue, tag: assemble(
                    tile,
                    lab,
                    tissue,
                    correction,
                    settings,
                    sight=sight,
                    colour=colour,
                    height_mm=height_mm,
                    tags=(tag,),
                    notes=("tray", *(("map-corrected",) if tag in corrected_parts else ())),
                ),
                model=model,
                corrected=corrected_parts,
            )
        tile = _cut(sight, height_mm)
        lab = _lab(tile, correction)
        tile = without_tags(tile, lab, tags)
        outline, by_hand = _outline(tile, lab, settings, corrected_map, outlined)
        tissue = _tissue(tile, lab, outline, model, corrected_map)
        return assemble(
            tile,
            lab,
            tissue,
            correction,
            settings,
            sight=sight,
            colour=colour,
            height_mm=height_mm,
            tags=tuple(tag.name for tag in tags),
            notes=by_hand,
        )


@contextmanager
def _telling(sight: Sight, colour: ColourFit) -> Iterator[None]:
    """Let a later rejection tell what card and light it was."""
    try:
        yield
    except PhotoRejectedError as error:
        error.known |= {
            "card": sight.card.layout,
            "card_serial": sight.card.serial,
            "tilt_deg": sight.pose.tilt_deg,
            "camera_mm": sight.pose.camera_mm,
            "colour_grade": colour.grade,
            "de00_mean": colour.de00_mean,
            "de00_max": colour.de00_max,
        }
        raise


def _colour(sight: Sight, settings: PhotoSettings, residuals: Residuals) -> ColourFit:
    return fit_colour(
        sight.photo,
        sight.samples,
        sight.card,
        residuals=residuals.get(sight.card.serial) if sight.card.serial else None,
        model=settings.colour_model,
    )


def _code_mm(sight: Sight) -> tuple[float, float, float, float]:
    """Give the place of the card's own code, which is no specimen's tag."""
    x, y, side = code_box_mm(sight.card.layout)
    return (x - 1, y - 1, side + 2, side + 2)


def _usable_height(sight: Sight, settings: PhotoSettings) -> float | None:
    """Height that can be applied: a height other than 0 needs the camera's distance."""
    if settings.height_mm is None or (settings.height_mm and sight.pose.rise is None):
        return None
    if sight.pose.camera_mm is not None and settings.height_mm > sight.pose.camera_mm / 2:
        return None
    return settings.height_mm


def _tags(sight: Sight, height_mm: float | None, marks: tuple[int, ...]) -> tuple[Tag, ...]:
    """Find the tags, which lie in the card's plane, and where they are seen on the specimen's."""
    to_px, own = sight.pose.to_px, _code_mm(sight)
    tags = find_tags(sight.grey, to_px, skip_mm=own)
    tags += marked_tags(sight.grey, to_px, ids=marks, skip_mm=(own, *boxes_of_card(sight.card)))
    back = np.asarray(np.linalg.inv(sight.pose.plane(height_mm or 0.0)), np.float64)
    return tuple(
        replace(tag, corners_mm=project(back, project(sight.pose.to_px, tag.corners_mm)))
        for tag in tags
    )


def _outline(
    tile: Tile,
    lab: npt.NDArray[np.float32],
    settings: PhotoSettings,
    corrected_map: CorrectedMap | None,
    outlined: Outlined | None,
) -> tuple[Mask | None, tuple[str, ...]]:
    """Pixels that a person's outline leaves, drawn on this photo or carried to it, and notes."""
    if corrected_map is not None:
        return None, ("map-corrected",)
    if settings.outline_mm is not None:
        return tile.frame.polygon(settings.outline_mm), ()  # assembling notes it
    if outlined is None:
        return None, ()
    mask = carried(outlined, lightness(lab), tile.frame)
    return mask, ("outline-carried",) if mask is not None else ("outline-not-carried",)


def _cut_at(sight: Sight, height_mm: float | None, frame: TileFrame) -> Tile:
    return cut_tile(
        sight.photo.rgb,
        frame,
        sight.pose.plane(height_mm or 0.0),
        card=sight.card,
        card_plane=sight.pose.to_px,
        scale=sight.photo.scale,
    )


def _cut(sight: Sight, height_mm: float | None) -> Tile:
    frame, aim_mm, aim_decides = frame_beside(sight.card)
    return cut_tile(
        sight.photo.rgb,
        frame,
        sight.pose.plane(height_mm or 0.0),
        aim_mm=aim_mm,
        aim_decides=aim_decides,
        card=sight.card,
        card_plane=sight.pose.to_px,
        scale=sight.photo.scale,
    )


def _usable_correction(sight: Sight, colour: ColourFit) -> Correction:
    """Fitted correction, or the photo's own encoding balanced on the card's white."""
    if colour.grade != "refused" and colour.correction is not None:
        return colour.correction
    white = colour.correction.white if colour.correction is not None else None
    if white is None and sight.samples.inside.any():
        brightest = np.where(sight.samples.inside, sight.samples.linear.sum(axis=1), -1).argmax()
        white = tuple(sight.samples.linear[brightest] / 0.88)  # reflectance of white paper patches
    return plain_correction(sight.photo.icc, white)


def _lab(tile: Tile, correction: Correction) -> npt.NDArray[np.float32]:
    frame = tile.frame
    return correction.to_lab(tile.rgb, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px)


def _tissue(
    tile: Tile,
    lab: npt.NDArray[np.float32],
    outline: Mask | None,
    model: Labeller,
    corrected_map: CorrectedMap | None,
) -> TissueMap:
    """Tissue map: a person's, or the model's inside a person's outline, or the model's."""
    if corrected_map is not None:
        return corrected_map.on(tile)
    if not tile.valid.any():
        raise PhotoRejectedError("nothing-found", "the place beside the card is not in the picture")
    tissue = map_tissue(
        lab,
        valid=tile.valid,
        mm_per_px=tile.frame.mm_per_px,
        model=model,
        aim_mm=tile.aim_mm,
        aim_decides=tile.aim_decides,
        outline=outline,
    )
    if tissue.problem:
        raise PhotoRejectedError(tissue.problem, f"{tissue.bodies} bodies found in the cut-out")
    return tissue


def _without_card(
    photo: DecodedPhoto,
    settings: PhotoSettings,
    mm_per_px: float,
    model: Labeller,
    corrected_map: CorrectedMap | None,
) -> PhotoResult:
    """Measure by a given scale: area and cover, no colour."""
    if not mm_per_px > 0:
        raise BadInputError(f"mm_per_px must be positive, got {mm_per_px}")
    step = mm_per_px * photo.scale
    plane = np.array([[1 / step, 0, -0.5], [0, 1 / step, -0.5], [0, 0, 1.0]])
    rows, cols = photo.rgb.shape[:2]
    tile = cut_tile(photo.rgb, frame_of_picture((rows, cols), step), plane, scale=photo.scale)
    correction = plain_correction(photo.icc)
    lab = _lab(tile, correction)
    outline, by_hand = _outline(tile, lab, settings, corrected_map, None)
    tissue = _tissue(tile, lab, outline, model, corrected_map)
    grey = grey_of(photo.rgb)
    return assemble(
        tile,
        lab,
        tissue,
        correction,
        settings,
        tags=(
            *read_tags(grey, plane),
            *(tag.name for tag in marked_tags(grey, plane, ids=settings.tag_marks)),
        ),
        notes=by_hand,
    )
