"""Pictures for the photographing guide: ``python -m phantoms.guide docs/pictures``.

Right and wrong photos of invented specimens, small enough for a page. `tests/vision/test_guide.py`
reads the written files and holds that polypward says of each what the guide says.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera, Develop, Pose
from phantoms.develop import encode
from phantoms.lights import lamp, reef
from phantoms.render import render
from phantoms.scene import Ground, Lighting, Printed, Scene, SpecimenModel
from phantoms.story import LOOKS
from polypward.cards import load_layout

__all__ = ["PICTURES", "Picture", "write_pictures"]

Image = npt.NDArray[np.uint8]

_SERIALS = {"frame": "F5D9NTT", "strip": "S74KBX3"}
_TAKEN_AT = datetime(2025, 9, 8, 10, 30, tzinfo=UTC)
_LIGHT = Lighting(
    lamp=lamp("LED-B4"), azimuth_deg=250, elevation_deg=72, ambient=0.62, gradient=0.03
)
_SHARP = Develop(full_well=40000, read_noise=3, defocus_px=0.5, white_level=0.76, quality=78)
_TILE = Ground(kind="tile", colour=(54, -3, -8), plug=(60, 0, 3), plug_radius_mm=11, seed=4)
_ABOVE = Pose(distance_mm=330, tilt_deg=2, tilt_towards_deg=200, roll_deg=1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture: what stands there, who looks, and the code that polypward must give it."""

    name: str
    code: str = ""  # of a rejection, or a note on an accepted photo; "" = nothing to mend
    layout: str = "frame"  # or "strip"; "" = no card
    specimens: tuple[SpecimenModel, ...]
    pose: Pose = _ABOVE
    develop: Develop = _SHARP
    lighting: Lighting = _LIGHT
    ground: Ground = _TILE
    change: Callable[[Image], Image] = field(default=lambda rgb: rgb)  # of the finished picture


def _specimen(name: str, plan: str, **change: object) -> SpecimenModel:
    model = SpecimenModel(plan=plan, radius_mm=30, height_mm=10, seed=31, look=LOOKS[name])
    return replace(model, **change)  # type: ignore[arg-type]


def _rippled(rgb: Image) -> Image:
    row, col = np.mgrid[: rgb.shape[0], : rgb.shape[1]].astype(np.float32)
    moved = cv2.remap(
        rgb,
        col + 5 * np.sin(row / 38),
        row + 5 * np.sin(col / 31),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(moved, np.uint8)


def _glaring(rgb: Image) -> Image:
    """Lay mirrored light over the middle of the picture: the lamp on a moving surface."""
    rng = np.random.default_rng(12)
    rows, cols = rgb.shape[:2]
    glow = np.zeros((rows, cols), np.float32)
    for _ in range(110):
        at = (round(cols * rng.normal(0.5, 0.07)), round(rows * rng.normal(0.5, 0.09)))
        size = (round(rng.uniform(6, 16)), round(rng.uniform(2, 5)))
        cv2.ellipse(glow, at, size, rng.uniform(-30, 30), 0, 360, 1.0, -1)
    glow = cv2.GaussianBlur(glow, (0, 0), 1.5)[..., None]
    return np.asarray(np.clip(rgb + 255 * glow, 0, 255), np.uint8)


_DISC = _specimen("LAN-03", "disc", radius_mm=27, seed=303)
_FOLDED = _specimen("LAN-07", "folded", radius_mm=38, seed=707)
_LOBED = _specimen("LAN-02", "lobed", radius_mm=33, seed=202)
_PLATE = _specimen("LAN-08", "plate", radius_mm=30, seed=808)
_FOOT = _specimen("LAN-03", "profile", radius_mm=30, height_mm=0, seed=303, bare=0.2)

PICTURES = (
    Picture(name="right-frame", specimens=(_FOLDED,)),
    Picture(
        name="right-strip",
        layout="strip",
        specimens=(_PLATE,),
        pose=replace(_ABOVE, distance_mm=270),
        ground=replace(_TILE, plug=None),
    ),
    Picture(
        name="right-side",
        layout="strip",
        specimens=(_FOOT,),
        pose=replace(_ABOVE, distance_mm=270),
        ground=Ground(kind="tray", colour=(50, -1, -3), plug=None, seed=9),
    ),
    Picture(
        name="tilted",
        code="tilted",
        specimens=(_DISC,),
        pose=replace(_ABOVE, tilt_deg=42, tilt_towards_deg=80, distance_mm=300),
    ),
    Picture(
        name="card-cut",
        code="card-cut",
        specimens=(_DISC,),
        pose=replace(_ABOVE, distance_mm=240, offset_mm=(100, -100)),
    ),
    Picture(
        name="too-far",
        code="card-small",
        specimens=(_DISC,),
        pose=replace(_ABOVE, distance_mm=640),
    ),
    Picture(
        name="out-of-focus",
        code="blurred",
        specimens=(_LOBED,),
        develop=replace(_SHARP, defocus_px=3.4),
    ),
    Picture(
        name="smeared",
        code="motion",
        specimens=(_LOBED,),
        develop=replace(_SHARP, motion_px=9, motion_deg=0),
    ),
    Picture(name="rippled", code="ripple", specimens=(_LOBED,), change=_rippled),
    Picture(name="glaring", code="glare", specimens=(_DISC,), change=_glaring),
    Picture(
        name="too-dark",
        code="too-dark",
        specimens=(_DISC,),
        develop=replace(_SHARP, white_level=0.03),
    ),
    Picture(
        name="blue-lamp",
        code="colour-refused",
        specimens=(_DISC,),
        lighting=replace(_LIGHT, lamp=reef(0.92, white="LED-B4")),
    ),
    Picture(
        name="two-in-the-window",
        code="several-specimens",
        specimens=(
            replace(_DISC, radius_mm=20, at_mm=(70.0, 93.0)),
            replace(_LOBED, radius_mm=20, at_mm=(118.0, 95.0)),
        ),
    ),
    Picture(name="no-card", code="no-card", layout="", specimens=(_FOLDED,)),
)


def write_pictures(folder: Path) -> int:
    """Render every picture into `folder` as NAME.jpg; return their size in bytes, together."""
    folder.mkdir(parents=True, exist_ok=True)
    size = 0
    for seed, picture in enumerate(PICTURES):
        camera = Camera(
            rows=750,
            cols=1000,
            sensor="phone-b",
            focal_35mm=35,
            pose=picture.pose,
            develop=picture.develop,
            model="Pocket 3",
        )
        printed = None
        if picture.layout:
            serial = _SERIALS[picture.layout]
            printed = Printed(card=replace(load_layout(picture.layout), serial=serial), seed=1)
        scene = Scene(
            specimens=picture.specimens,
            printed=printed,
            ground=picture.ground,
            lighting=picture.lighting,
            aim_mm=(93.0, 93.0),
        )
        rgb = picture.change(render(scene, camera, seed=seed).rgb)
        data = encode(rgb, camera, taken_at=_TAKEN_AT)
        (folder / f"{picture.name}.jpg").write_bytes(data)
        size += len(data)
    return size


if __name__ == "__main__":
    cv2.setNumThreads(1)
    print(write_pictures(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/pictures")), "bytes")
