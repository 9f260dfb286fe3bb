"""Labelled cut-outs that went the whole way: rendered, developed, compressed, found, corrected."""

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera
from phantoms.render import Truth, encode_jpeg, render
from phantoms.scene import Scene
from phantoms.settings import Family, random_camera, random_scene
from phantoms.vary import varied
from polypward.errors import PhotoRejectedError
from polypward.labels import LIVE
from polypward.records import PhotoSettings, Reading
from polypward_vision.load import decode
from polypward_vision.read import measure_photo
from polypward_vision.tissue import LabelledTile

__all__ = ["PhotoTile", "photo_tile", "tile_of"]

# Sizes that a phone's photo has after a messenger, and one near a sensor's own.
MEGAPIXELS = (2.2, 3.0, 4.0, 8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoTile:
    """A labelled tile and what was drawn: plan, growth, ground, paling."""

    tile: LabelledTile
    drawn: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class _Watcher:
    """Stands in for a model: keeps what the photo's stages hand over, and says "a live disc"."""

    seen: LabelledTile | None = None

    def probabilities(
        self,
        lab: npt.NDArray[np.float32],
        *,
        mm_per_px: float,
        valid: npt.NDArray[np.bool_],
        centre_mm: tuple[float, float] | None = None,
    ) -> npt.NDArray[np.float32]:
        rows, cols = valid.shape
        none = np.zeros(valid.shape, np.uint8)
        self.seen = LabelledTile(
            lab=lab.copy(), valid=valid.copy(), labels=none, mm_per_px=mm_per_px,
            centre_mm=centre_mm,
        )  # fmt: skip
        row, col = np.mgrid[:rows, :cols]
        x, y = (cols / 2, rows / 2) if centre_mm is None else np.array(centre_mm) / mm_per_px
        disc = np.hypot(col - x, row - y) * mm_per_px < 10
        chances = np.zeros((rows, cols, 4), np.float32)
        chances[..., 0] = ~disc
        chances[..., LIVE] = disc
        return chances


def photo_tile(
    seed: int, family: Family, *, vary: bool = False, mm_per_px: float | None = None
) -> PhotoTile | None:
    """Photograph a random scene of a family and cut it out; None when the photo is rejected.

    With `vary` the scene wears colours and textures from anywhere. `mm_per_px` as `tile_of`.
    """
    rng = np.random.default_rng([seed, 41])
    scene = random_scene(rng, family)
    if vary:
        scene = varied(rng, scene)
    camera = random_camera(rng, family, megapixels=float(rng.choice(MEGAPIXELS)))
    return tile_of(scene, camera, seed=seed, mm_per_px=mm_per_px)


def tile_of(
    scene: Scene, camera: Camera, *, seed: int, mm_per_px: float | None = None
) -> PhotoTile | None:
    """Photograph a scene and cut it out; None when the photo is rejected.

    The cut-out is enlarged to pixels of about `mm_per_px` where that is given, as
    `polypward_vision.tissue.network` enlarges one; its labels are the truth at these pixels.
    """
    rendering = render(scene, camera, seed=seed)
    watcher = _Watcher()
    specimen = scene.specimens[0]
    try:
        result = measure_photo(
            decode(encode_jpeg(rendering)),
            settings=PhotoSettings(height_mm=specimen.height_mm),
            model=watcher,  # type: ignore[arg-type]
        )
    except PhotoRejectedError:
        return None
    reading = result.reading
    if watcher.seen is None or rendering.truth is None:
        return None
    return PhotoTile(
        tile=_labelled(watcher.seen, reading, rendering.truth, mm_per_px=mm_per_px),
        drawn={
            "plan": specimen.plan,
            "growth": specimen.growth,
            "ground": scene.ground.kind,
            "paling": f"{specimen.paling:.2f}",
            "main": ",".join(f"{value:.0f}" for value in specimen.look.main),
            "grade": str(reading.colour_grade),
        },
    )


def _labelled(
    seen: LabelledTile, reading: Reading, truth: Truth, *, mm_per_px: float | None
) -> LabelledTile:
    """Give a cut-out its true labels, at pixels of another size where asked."""
    if mm_per_px is not None:
        rows, cols = seen.valid.shape
        size = (round(cols * seen.mm_per_px / mm_per_px), round(rows * seen.mm_per_px / mm_per_px))
        shown = cv2.resize(seen.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        seen = replace(
            seen,
            lab=np.asarray(cv2.resize(seen.lab, size), np.float32),
            valid=np.asarray(shown > 0),
            mm_per_px=seen.mm_per_px * cols / size[0],
        )
    labels = truth.labels(
        reading.tile_x_mm, reading.tile_y_mm, seen.mm_per_px, seen.valid.shape
    )  # fmt: skip
    return replace(seen, labels=labels)
