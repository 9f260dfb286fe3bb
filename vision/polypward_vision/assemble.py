"""Put a reading together: measures, what they stand on, and notes."""

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.labels import BACKGROUND
from polypward.records import PhotoSettings, Reading
from polypward_vision.colour.apply import Correction
from polypward_vision.colour.correct import ColourFit
from polypward_vision.measure import area_rsd, measure
from polypward_vision.quality import GLINT_MM, hidden_share
from polypward_vision.result import PhotoResult
from polypward_vision.sight import Sight
from polypward_vision.tile import Tile, scale_at
from polypward_vision.tissue import TissueMap
from polypward_vision.tissue.around import around
from polypward_vision.tissue_light import tissue_light

__all__ = ["assemble"]


def assemble(
    tile: Tile,
    lab: npt.NDArray[np.float32],
    tissue: TissueMap,
    correction: Correction,
    settings: PhotoSettings,
    *,
    sight: Sight | None = None,
    colour: ColourFit | None = None,
    height_mm: float | None = None,
    tags: tuple[str, ...] = (),
    notes: tuple[str, ...] = (),
) -> PhotoResult:
    """Measure the tissue map and put everything into one result.

    Parameters
    ----------
    tile, lab, tissue, correction
        The cut-out, its CIELAB, its tissue map, and how the CIELAB was made.
    settings : PhotoSettings
        As given.
    sight, colour : optional
        What the card told; None without a card.
    height_mm : float, optional
        The height that was used.
    tags : tuple of str
        Specimens named in view.
    notes : tuple of str
        Further notes on the reading.

    Raises
    ------
    PhotoRejectedError
        As `polypward_vision.quality.check_tissue`.
    """
    frame, labels = tile.frame, tissue.labels
    coloured = colour is not None and colour.grade != "refused"
    hidden = hidden_share(labels, tile.rgb8, tile.valid)
    # What is off the specimen adds nothing but time.
    part = around(labels, room=round(GLINT_MM / frame.mm_per_px) + 1)
    its_labels, its_lab = labels[part], lab[part]
    light = tissue_light(
        its_labels,
        tile.rgb8[part],
        its_lab if coloured else None,
        mm_per_px=frame.mm_per_px,
        unsure=tissue.unsure,
        hidden=hidden,
    )
    coloured = coloured and not light.spoiled
    pose = sight.pose if sight is not None else None
    rsd = area_rsd(
        rms_px=pose.rms_px if pose is not None else 0.0,
        corners=int(pose.kept.sum()) if pose is not None else 4,
        span_px=_span_px(sight) if sight is not None else 1.0,
        print_scale_known=sight.print_scale_known if sight is not None else False,
        height_known=height_mm is not None,
        camera_mm=pose.camera_mm if pose is not None else None,
        tilt_deg=pose.tilt_deg if pose is not None else None,
    )
    its_doubt = tissue.unsure_map[part][its_labels != BACKGROUND]
    measures = measure(
        its_labels,
        mm_per_px=frame.mm_per_px,
        rsd=rsd,
        doubt=float(its_doubt.mean()) if len(its_doubt) else 0.0,
        sides=tissue.sides,
        hidden=hidden,
        lab=its_lab if coloured else None,
        left_out=light.left_out,
    )
    mean = measures.mean_lab or (None, None, None)
    reading = Reading(
        photo="",
        sha256="",
        reasons=_notes((*notes, *light.notes), settings, tissue, sight, colour, height_mm),
        card=sight.card.layout if sight is not None else "",
        card_serial=sight.card.serial if sight is not None else "",
        mm_per_px=_mm_per_px(tile, labels, sight, settings, height_mm),
        tilt_deg=pose.tilt_deg if pose is not None else None,
        camera_mm=pose.camera_mm if pose is not None else None,
        height_mm=height_mm,
        lamp=settings.lamp,
        colour_grade=colour.grade if colour is not None and not light.spoiled else "refused",
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
        correction=_correction_json(correction, colour)
        | {"area_rsd": rsd.scale, "plane": [[float(v) for v in row] for row in tile.to_full]},
        patch_residuals=_residuals(sight, colour),
        tags=tags,
    )


def _span_px(sight: Sight) -> float:
    """Side of the square that the corners span, full-size pixels."""
    low, high = sight.found.corners_px.min(axis=0), sight.found.corners_px.max(axis=0)
    return float(np.sqrt(np.prod(high - low))) * sight.photo.scale


def _mm_per_px(
    tile: Tile,
    labels: npt.NDArray[np.uint8],
    sight: Sight | None,
    settings: PhotoSettings,
    height_mm: float | None,
) -> float | None:
    """Card mm per full-size pixel at the specimen's middle."""
    if sight is None:
        return settings.mm_per_px
    frame, at = tile.frame, tile.frame.centre_mm
    body = cv2.moments((labels != BACKGROUND).astype(np.uint8), binaryImage=True)
    if body["m00"]:
        at = (
            frame.x_mm + (body["m10"] / body["m00"] + 0.5) * frame.mm_per_px,
            frame.y_mm + (body["m01"] / body["m00"] + 0.5) * frame.mm_per_px,
        )
    plane = sight.pose.plane(height_mm or 0.0)
    return scale_at(sight.pose.to_px, plane, at, sight.photo.scale)


def _notes(
    notes: tuple[str, ...],
    settings: PhotoSettings,
    tissue: TissueMap,
    sight: Sight | None,
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
        if colour.correction is not None and colour.correction.white is not None:
            kept["white"] = list(colour.correction.white)
    return kept


def _residuals(sight: Sight | None, colour: ColourFit | None) -> npt.NDArray[np.float64] | None:
    """Corrected minus nominal Lab of the patches, where colour was not refused."""
    if sight is None or colour is None or colour.patch_lab is None or colour.grade == "refused":
        return None
    nominal = np.array([patch.lab_d50 for patch in sight.card.patches], np.float64)
    return np.asarray(colour.patch_lab - nominal)
