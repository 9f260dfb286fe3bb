"""One photo to one reading: the straight line through all stages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.cards import code_box_mm, scaled
from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import Card, PhotoSettings, Reading
from polypward_vision.codes import read_serial, read_tags
from polypward_vision.colour.apply import Correction, plain_correction
from polypward_vision.colour.correct import ColourFit, fit_colour
from polypward_vision.colour.patches import PatchSamples, sample_patches
from polypward_vision.find_card import FoundCard, Grey, find_card, grey_of
from polypward_vision.measure import area_rsd, check_labels, measure
from polypward_vision.photo import DecodedPhoto
from polypward_vision.pose import Pose, area_mm2_per_px, find_pose
from polypward_vision.quality import BURNT, check_card, check_tissue, glints
from polypward_vision.result import PhotoResult
from polypward_vision.tile import (
    Tile,
    cut_tile,
    frame_beside,
    frame_of_picture,
    scale_at,
)
from polypward_vision.tissue import TissueMap, TissueModel, map_tissue

__all__ = ["measure_photo"]

# A decoded pixel may cover this much of the card, mm; else the photo is decoded in full.
COARSEST_DECODED_MM = 0.34
Residuals = Mapping[str, npt.NDArray[np.floating[Any]]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sight:
    """What the card tells: everything before the specimen is looked at."""

    photo: DecodedPhoto
    grey: Grey
    found: FoundCard
    card: Card  # true millimetres
    pose: Pose
    samples: PatchSamples
    print_scale_known: bool
    notes: tuple[str, ...]


def measure_photo(
    photo: DecodedPhoto,
    *,
    settings: PhotoSettings,
    cards: Sequence[Card] = (),
    model: TissueModel,
    print_residuals: Residuals | None = None,
    corrected_map: npt.NDArray[np.uint8] | None = None,
) -> PhotoResult:
    """Measure the specimen in a photo of it beside a card.

    Parameters
    ----------
    photo : DecodedPhoto
        From `polypward_vision.load`.
    settings : PhotoSettings
        Height, water, lamp, scale, outline: what is known besides the pixels.
    cards : sequence of Card
        The ward's own cards; a card in view with the serial of one of them takes its values and
        print scale, any other the nominal layout.
    model : TissueModel
        Labels the cut-out.
    print_residuals : mapping of serial to array of shape (P, 3), optional
        What a serial's patches missed their nominal Lab by in earlier photos, on the mean: its
        printer's error, which is no fault of this photo.
    corrected_map : uint8 array of shape (rows, cols), optional
        A person's tissue map in the cut-out's frame; it replaces the model's.

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
    found, photo = _find(photo)
    sight = _sight(photo, found, settings, cards)
    colour = _colour(sight, settings, print_residuals or {})
    height_mm = _usable_height(sight, settings)
    tile = _cut(sight, height_mm)
    correction = _usable_correction(sight, colour)
    lab = _lab(tile, correction)
    tissue = _tissue(tile, lab, settings, model, corrected_map)
    return _result(
        tile,
        lab,
        tissue,
        correction,
        settings,
        sight=sight,
        colour=colour,
        height_mm=height_mm,
        tags=read_tags(sight.grey, sight.pose.to_px, skip_mm=_code_mm(sight)),
    )


def _find(photo: DecodedPhoto) -> tuple[FoundCard, DecodedPhoto]:
    """Find the card; decode the photo in full where its card is too small for less."""
    try:
        found = find_card(photo)
        side_px = np.linalg.norm(found.corners_px[0] - found.corners_px[1])
        side_mm = np.linalg.norm(found.corners_mm[0] - found.corners_mm[1])
        if photo.finer is None or side_mm / side_px <= COARSEST_DECODED_MM:
            return found, photo
    except PhotoRejectedError as error:
        if photo.finer is None or error.code == "two-cards":
            raise
    assert photo.finer is not None
    whole = photo.finer()
    return find_card(whole), whole


def _sight(
    photo: DecodedPhoto, found: FoundCard, settings: PhotoSettings, cards: Sequence[Card]
) -> _Sight:
    """Pose, whose card it is, its patches, and whether the photo is good enough."""
    grey = grey_of(photo.rgb)
    focal = settings.focal_35mm or photo.focal_35mm
    nominal = _pose(photo, found, found.corners_mm, settings, focal)
    serial = read_serial(grey, layout=found.layout, to_px=nominal.to_px)
    card, notes = _whose(found, serial, cards)
    print_scale_known = card.print_scale is not None
    true_card, pose = scaled(card), nominal
    if card.print_scale is not None:
        pose = _pose(photo, found, found.corners_mm * np.array(card.print_scale), settings, focal)
    else:
        notes = (*notes, "no-print-scale")
    if pose.camera_mm is None:
        notes = (*notes, "no-focal")
    samples = sample_patches(photo, true_card, pose.to_px)
    middle = (true_card.size_mm[0] / 2, true_card.size_mm[1] / 2)
    mm_per_px = float(np.sqrt(area_mm2_per_px(pose.to_px, [middle])[0])) / photo.scale
    notes += check_card(photo, grey, found, pose, samples, mm_per_px=mm_per_px)
    return _Sight(
        photo=photo,
        grey=grey,
        found=found,
        card=true_card,
        pose=pose,
        samples=samples,
        print_scale_known=print_scale_known,
        notes=notes,
    )


def _pose(
    photo: DecodedPhoto,
    found: FoundCard,
    corners_mm: npt.NDArray[np.float64],
    settings: PhotoSettings,
    focal: float | None,
) -> Pose:
    return find_pose(
        found.corners_px,
        corners_mm,
        shape=photo.rgb.shape[:2],
        scale=photo.scale,
        focal_35mm=focal,
        water_mm=settings.water_mm,
    )


def _whose(
    found: FoundCard, serial: str | None, cards: Sequence[Card]
) -> tuple[Card, tuple[str, ...]]:
    """Card in view: the ward's own by its serial or as the only one, else the nominal layout."""
    own = [card for card in cards if card.layout == found.layout]
    if serial is not None:
        by_serial = [card for card in own if card.serial == serial]
        return (by_serial[0] if by_serial else replace(found.card, serial=serial)), ()
    if len(own) == 1:
        return own[0], ("serial-assumed",)
    return found.card, ("serial-unknown",)


def _colour(sight: _Sight, settings: PhotoSettings, residuals: Residuals) -> ColourFit:
    return fit_colour(
        sight.photo,
        sight.samples,
        sight.card,
        residuals=residuals.get(sight.card.serial) if sight.card.serial else None,
        model=settings.colour_model,
    )


def _code_mm(sight: _Sight) -> tuple[float, float, float, float]:
    """Give the place of the card's own code, which is no specimen's tag."""
    x, y, side = code_box_mm(sight.card.layout)
    return (x - 1, y - 1, side + 2, side + 2)


def _usable_height(sight: _Sight, settings: PhotoSettings) -> float | None:
    """Height that can be applied: a height other than 0 needs the camera's distance."""
    if settings.height_mm is None or (settings.height_mm and sight.pose.rise is None):
        return None
    if sight.pose.camera_mm is not None and settings.height_mm > sight.pose.camera_mm / 2:
        return None
    return settings.height_mm


def _cut(sight: _Sight, height_mm: float | None) -> Tile:
    frame, aim_mm, aim_decides = frame_beside(sight.card)
    return cut_tile(
        sight.photo.rgb,
        frame,
        sight.pose.plane(height_mm or 0.0),
        aim_mm=aim_mm,
        aim_decides=aim_decides,
        card=sight.card,
        card_plane=sight.pose.to_px,
    )


def _usable_correction(sight: _Sight, colour: ColourFit) -> Correction:
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
    settings: PhotoSettings,
    model: TissueModel,
    corrected_map: npt.NDArray[np.uint8] | None,
) -> TissueMap:
    """Tissue map: a person's, or the model's inside a person's outline, or the model's."""
    if corrected_map is not None:
        if corrected_map.shape != tile.valid.shape or not check_labels(corrected_map):
            raise BadInputError(
                f"the corrected map must hold labels 0 to 3 in {tile.valid.shape[0]} rows and "
                f"{tile.valid.shape[1]} columns, it has the shape {corrected_map.shape}"
            )
        found = corrected_map.any()
        return TissueMap(
            labels=corrected_map.astype(np.uint8),
            unsure=0.0 if found else None,
            unsure_map=np.zeros(tile.valid.shape, np.float32),
            problem="" if found else "nothing-found",
        )
    if not tile.valid.any():
        raise PhotoRejectedError("nothing-found", "the place beside the card is not in the picture")
    tissue = map_tissue(
        lab,
        valid=tile.valid,
        mm_per_px=tile.frame.mm_per_px,
        model=model,
        aim_mm=tile.aim_mm,
        aim_decides=tile.aim_decides,
        outline=None if settings.outline_mm is None else tile.frame.polygon(settings.outline_mm),
    )
    if tissue.problem:
        raise PhotoRejectedError(tissue.problem, f"{tissue.bodies} bodies found in the cut-out")
    return tissue


def _without_card(
    photo: DecodedPhoto,
    settings: PhotoSettings,
    mm_per_px: float,
    model: TissueModel,
    corrected_map: npt.NDArray[np.uint8] | None,
) -> PhotoResult:
    """Measure by a given scale: area and cover, no colour."""
    if not mm_per_px > 0:
        raise BadInputError(f"mm_per_px must be positive, got {mm_per_px}")
    step = mm_per_px * photo.scale
    plane = np.array([[1 / step, 0, -0.5], [0, 1 / step, -0.5], [0, 0, 1.0]])
    rows, cols = photo.rgb.shape[:2]
    tile = cut_tile(photo.rgb, frame_of_picture((rows, cols), step), plane)
    correction = plain_correction(photo.icc)
    lab = _lab(tile, correction)
    tissue = _tissue(tile, lab, settings, model, corrected_map)
    return _result(
        tile, lab, tissue, correction, settings, tags=read_tags(grey_of(photo.rgb), plane)
    )


def _result(
    tile: Tile,
    lab: npt.NDArray[np.float32],
    tissue: TissueMap,
    correction: Correction,
    settings: PhotoSettings,
    *,
    sight: _Sight | None = None,
    colour: ColourFit | None = None,
    height_mm: float | None = None,
    tags: tuple[str, ...] = (),
) -> PhotoResult:
    """Put the reading together: measures, what they stand on, and notes."""
    frame, labels = tile.frame, tissue.labels
    burnt, shine = glints(tile.rgb8, lab, mm_per_px=frame.mm_per_px)
    notes = check_tissue(
        live=labels == 1,
        specimen=labels > 0,
        burnt=burnt,
        all_burnt=np.asarray((tile.rgb8 >= 255 * BURNT).all(axis=2)),
        shine=shine,
        unsure=tissue.unsure,
    )
    pose = sight.pose if sight is not None else None
    coloured = colour is not None and colour.grade != "refused"
    measures = measure(
        labels,
        mm_per_px=frame.mm_per_px,
        rsd=area_rsd(
            rms_px=pose.rms_px if pose is not None else 0.0,
            corners=int(pose.kept.sum()) if pose is not None else 4,
            span_px=_span_px(sight) if sight is not None else 1.0,
            print_scale_known=sight.print_scale_known if sight is not None else False,
            height_known=height_mm is not None,
            camera_mm=pose.camera_mm if pose is not None else None,
            tilt_deg=pose.tilt_deg if pose is not None else None,
        ),
        unsure=tissue.unsure,
        lab=lab if coloured else None,
        left_out=burnt | shine,
    )
    mean = measures.mean_lab or (None, None, None)
    reading = Reading(
        photo="",
        sha256="",
        reasons=_notes(notes, settings, tissue, sight, colour, height_mm),
        card=sight.card.layout if sight is not None else "",
        card_serial=sight.card.serial if sight is not None else "",
        mm_per_px=_mm_per_px(tile, labels, sight, settings, height_mm),
        tilt_deg=pose.tilt_deg if pose is not None else None,
        camera_mm=pose.camera_mm if pose is not None else None,
        height_mm=height_mm,
        lamp=settings.lamp,
        colour_grade=colour.grade if colour is not None else "refused",
        de00_mean=colour.de00_mean if colour is not None else None,
        de00_max=colour.de00_max if colour is not None else None,
        live_mm2=measures.live_mm2,
        live_mm2_sd=measures.live_mm2_sd,
        bare_mm2=measures.bare_mm2,
        overgrown_mm2=measures.overgrown_mm2,
        live_cover=measures.live_cover,
        live_cover_sd=measures.live_cover_sd,
        L=mean[0],
        a=mean[1],
        b=mean[2],
        tile_x_mm=frame.x_mm,
        tile_y_mm=frame.y_mm,
        tile_mm_per_px=frame.mm_per_px,
        unsure=tissue.unsure,
        lab_sd=colour.lab_sd if colour is not None and coloured else None,
        bare_lab=measures.bare_lab,
        perimeter_mm=measures.perimeter_mm,
        live_palette=measures.palette,
    )
    return PhotoResult(
        reading=reading,
        tile=tile.rgb8,
        mask=labels,
        valid=tile.valid,
        unsure_map=tissue.unsure_map,
        correction=_correction_json(correction, colour),
        patch_residuals=_residuals(sight, colour),
        tags=tags,
    )


def _span_px(sight: _Sight) -> float:
    """Side of the square that the corners span, full-size pixels."""
    low, high = sight.found.corners_px.min(axis=0), sight.found.corners_px.max(axis=0)
    return float(np.sqrt(np.prod(high - low))) * sight.photo.scale


def _mm_per_px(
    tile: Tile,
    labels: npt.NDArray[np.uint8],
    sight: _Sight | None,
    settings: PhotoSettings,
    height_mm: float | None,
) -> float | None:
    """Card mm per full-size pixel at the specimen's middle."""
    if sight is None:
        return settings.mm_per_px
    rows, cols = np.nonzero(labels)
    frame = tile.frame
    at = (
        (
            frame.x_mm + (cols.mean() + 0.5) * frame.mm_per_px,
            frame.y_mm + (rows.mean() + 0.5) * frame.mm_per_px,
        )
        if len(rows)
        else frame.centre_mm
    )
    plane = sight.pose.plane(height_mm or 0.0)
    return scale_at(sight.pose.to_px, plane, at, sight.photo.scale)


def _notes(
    notes: tuple[str, ...],
    settings: PhotoSettings,
    tissue: TissueMap,
    sight: _Sight | None,
    colour: ColourFit | None,
    height_mm: float | None,
) -> tuple[str, ...]:
    """All notes of an accepted reading, each once, in the order of the stages."""
    every = list(sight.notes if sight is not None else ("no-card-scale",))
    every += colour.notes if colour is not None else ()
    every += ["no-height"] if height_mm is None else []
    every += ["outline-used"] if settings.outline_mm is not None else []
    every += ["edge-reached"] if tissue.touches_edge else []
    return tuple(dict.fromkeys([*every, *notes]))


def _correction_json(correction: Correction, colour: ColourFit | None) -> dict[str, Any]:
    kept = correction.to_json()
    if colour is not None:
        kept |= {"grade": colour.grade, "why": colour.why, "blue": colour.blue}
    return kept


def _residuals(sight: _Sight | None, colour: ColourFit | None) -> npt.NDArray[np.float64] | None:
    """Corrected minus nominal Lab of the patches, where colour was not refused."""
    if sight is None or colour is None or colour.patch_lab is None or colour.grade == "refused":
        return None
    nominal = np.array([patch.lab_d50 for patch in sight.card.patches], np.float64)
    return np.asarray(colour.patch_lab - nominal)
