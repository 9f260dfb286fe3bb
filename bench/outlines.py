"""An outline carried to a second visit: what it gains, alone in the window and with a neighbour.

Phantoms of the family `UNSEEN` in a frame. At the second visit the same animal lies turned, swollen
or shrunken, in another photo; then also with another one reaching into the window. The outline is
the hull of the truth at the first visit, which is what a careful person would draw.
"""

from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from bench.rows import Row, Size
from bench.shots import each, model
from phantoms.cameras import Camera
from phantoms.render import Rendering, encode_jpeg, render
from phantoms.scene import Scene
from phantoms.settings import UNSEEN, random_camera, random_scene
from polypward.errors import PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo
from polypward_vision.colour.apply import Correction
from polypward_vision.load import decode
from polypward_vision.registration import Outlined, lightness
from polypward_vision.result import PhotoResult
from polypward_vision.tile import TileFrame

__all__ = ["Second", "measure", "second_visit"]

MEGAPIXELS = 4.0
MIDDLE_MM, NEIGHBOUR_MM = (86.0, 93.0), (136.0, 122.0)
LARGEST_MM, NEIGHBOUR_RADIUS_MM = 27.0, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Second:
    """A second visit read without and with the outline: overlap of the specimen and of live tissue.

    None where the photo was refused. `carried` tells whether the tool was sure of the place.
    """

    neighbour: bool
    plain: tuple[float, float] | None
    outlined: tuple[float, float] | None
    carried: bool


def _read(
    shown: Rendering, height_mm: float, outlined: Outlined | None = None
) -> PhotoResult | None:
    try:
        return measure_photo(
            decode(encode_jpeg(shown)),
            settings=PhotoSettings(height_mm=height_mm),
            model=model(),
            outlined=outlined,
        )
    except PhotoRejectedError:
        return None


def _frame(result: PhotoResult) -> TileFrame:
    one = result.reading
    assert one.tile_x_mm is not None
    assert one.tile_y_mm is not None
    assert one.tile_mm_per_px is not None
    rows, cols = result.mask.shape
    return TileFrame(
        x_mm=one.tile_x_mm, y_mm=one.tile_y_mm, rows=rows, cols=cols, mm_per_px=one.tile_mm_per_px
    )


def _overlaps(result: PhotoResult | None, shown: Rendering) -> tuple[float, float] | None:
    if result is None or shown.truth is None:
        return None
    frame = _frame(result)
    true = shown.truth.labels(frame.x_mm, frame.y_mm, frame.mm_per_px, result.mask.shape)
    found = []
    for mine, its in ((result.mask > 0, true > 0), (result.mask == 1, true == 1)):
        either = np.count_nonzero(mine | its)
        found.append(np.count_nonzero(mine & its) / either if either else 1.0)
    return found[0], found[1]


def _outlined(result: PhotoResult, shown: Rendering) -> Outlined:
    """Outline the first visit's specimen by the hull of its truth."""
    frame = _frame(result)
    assert shown.truth is not None
    true = shown.truth.labels(frame.x_mm, frame.y_mm, frame.mm_per_px, result.mask.shape)
    parts, _ = cv2.findContours(
        (true > 0).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    hull = cv2.convexHull(np.concatenate(parts))[:, 0, :]
    lab = Correction.from_json(result.correction).to_lab(
        result.tile, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px
    )
    return Outlined(
        light=lightness(lab),
        labels=result.mask,
        frame=frame,
        outline_mm=tuple(
            (
                float(frame.x_mm + (x + 0.5) * frame.mm_per_px),
                float(frame.y_mm + (y + 0.5) * frame.mm_per_px),
            )
            for x, y in hull
        ),
    )


def _camera(rng: np.random.Generator) -> Camera:
    tilt = float(rng.uniform(0, 10))
    return random_camera(rng, UNSEEN, megapixels=MEGAPIXELS, tilt_deg=tilt)


def second_visit(index: int, *, seed: int) -> list[Second]:
    """Photograph one animal twice, the second time alone and with a neighbour; none if not read."""
    rng = np.random.default_rng([seed, index, 12])
    scene: Scene = random_scene(rng, UNSEEN, layout="frame")
    one = replace(
        scene.specimens[0],
        at_mm=MIDDLE_MM,
        radius_mm=min(scene.specimens[0].radius_mm, LARGEST_MM),
    )
    first = render(replace(scene, specimens=(one,)), _camera(rng), seed=index)
    result = _read(first, one.height_mm)
    if result is None:
        return []
    outline = _outlined(result, first)
    later = replace(
        one,
        visit_seed=one.visit_seed + 7,
        turn_deg=one.turn_deg + float(rng.uniform(-180, 180)),
        expansion=one.expansion * float(rng.uniform(0.85, 1.15)),
    )
    other = replace(
        random_scene(rng, UNSEEN, layout="frame").specimens[0],
        at_mm=NEIGHBOUR_MM,
        radius_mm=NEIGHBOUR_RADIUS_MM,
        height_mm=one.height_mm,
    )
    camera = _camera(rng)
    found = []
    for neighbour, specimens in ((False, (later,)), (True, (later, other))):
        shown = render(replace(scene, specimens=specimens), camera, seed=1000 + index)
        plain = _read(shown, one.height_mm)
        with_it = _read(shown, one.height_mm, outline)
        carried = with_it is not None and "outline-carried" in with_it.reading.reasons
        found.append(
            Second(
                neighbour=neighbour,
                plain=_overlaps(plain, shown),
                outlined=_overlaps(with_it, shown),
                carried=carried,
            )
        )
    return found


def measure(size: Size) -> list[Row]:
    """Measure what a carried outline gains."""
    count = max(2, size.photos // 5)
    work = partial(second_visit, seed=size.seed)
    every = [one for some in each(work, range(count), jobs=size.jobs) for one in some]
    return [
        _row([one for one in every if one.neighbour is neighbour], count, neighbour)
        for neighbour in (False, True)
    ]


def _row(seconds: list[Second], count: int, neighbour: bool) -> Row:
    def told(values: list[tuple[float, float]]) -> str:
        if not values:
            return "none read"
        middle = np.median(np.array(values), axis=0)
        return f"{len(values)} read, IoU specimen {middle[0]:.2f}, live {middle[1]:.2f}"

    plain = told([one.plain for one in seconds if one.plain is not None])
    outlined = told([one.outlined for one in seconds if one.outlined is not None])
    return Row(
        what="outline carried, " + ("a neighbour in the window" if neighbour else "alone"),
        reach="",
        measured=f"without: {plain}; with: {outlined} (medians)",
        settings=(
            f"{len(seconds)} second visits of {count} animals, {MEGAPIXELS:.0f} MP, carried on "
            f"{sum(one.carried for one in seconds)}"
        ),
    )
