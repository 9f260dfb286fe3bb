"""Writes sample_images/: ``python -m phantoms.demo_ward sample_images`` (``make samples``)."""

import csv
import sys
import zlib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from phantoms.cameras import Camera, Develop, Pose
from phantoms.develop import encode
from phantoms.lights import Lamp, lamp, reef
from phantoms.render import render
from phantoms.scene import Ground, Lighting, Printed, Scene, SpecimenModel
from phantoms.story import CARDS, CARE, LAMP, LOOKS, SPECIMENS, Held, Shot, at
from polypward.cards import load_layout

__all__ = ["camera_of", "noise_seed", "photo_name", "scene_of", "write_samples"]

_REGISTER = (
    *("specimen", "batch", "supplier", "kind", "cost", "arrived_on", "place", "water_system"),
    *("height_mm", "expected_price", "as_is_price"),
)
_MANIFEST = (
    *("photo", "specimen", "taken_at", "height_mm", "water_mm", "lamp", "mm_per_px", "view"),
    *("open", "photographer"),
)
_WHITE: Lamp = lamp("LED-B4")
# All of the blue, a little white: what the tank looks like in the evening.
_BLUE: Lamp = reef(0.97, white="LED-B4")
# Print error of every demo card: a common inkjet, nominal values.
_PRINT_ERROR_DE = 3.0


def photo_name(held: Held, shot: Shot) -> str:
    """Path of a photo below the folder: in its specimen's folder, but for the camera-named one."""
    day = at(shot.day, shot.at).date().isoformat()
    if shot.fault == "camera-named":
        return f"IMG_{4100 + shot.day}.jpg"
    mark = {"blue": "_evening", "no-card": "_close", "two": "_b"}.get(shot.fault, "")
    side = "_side" if shot.view == "side" else ""
    return f"{held.name}/{day}{side}{mark}.{'heic' if shot.fault == 'heic' else 'jpg'}"


def _seed(*parts: object) -> int:
    return zlib.crc32(repr(parts).encode())


def scene_of(held: Held, shot: Shot) -> Scene:
    """Build what stood before the camera at one photo."""
    rng = np.random.default_rng(_seed("scene", held.name, shot.day, shot.view, shot.fault))
    side = shot.view == "side"
    layout = "strip" if side else held.layout
    serial = CARDS[held.water_system, layout]
    card = replace(load_layout(layout), serial=serial)
    look = LOOKS.get(held.name) or LOOKS[held.part_of]
    model = SpecimenModel(
        plan="profile" if side else held.plan,
        radius_mm=held.radius_mm,
        height_mm=0.0 if side else held.height_mm,
        seed=held.seed,
        look=look,
        visit_seed=shot.day,
        loss=held.loss,  # type: ignore[arg-type]
        loss_direction_deg=held.loss_direction_deg,
        growth=held.growth,  # type: ignore[arg-type]
        skeleton=held.skeleton,
        septa_mm=held.septa_mm,
        turn_deg=0.0 if side else float(rng.normal(0, 6)),
    )
    model = replace(model, **shot.state)  # type: ignore[arg-type]
    if held.part_of:  # half of the parent's body, set in the middle of the window
        left = held.name.endswith("A")
        middle = (93.0 + (17.0 if left else -17.0), 93.0)
        model = replace(model, part="left" if left else "right", at_mm=middle, turn_deg=0.0)
    specimens: tuple[SpecimenModel, ...] = (model,)
    if shot.fault == "two":
        neighbour = replace(
            model, plan="lobed", radius_mm=18, seed=5, bare=0.0, at_mm=(121.0, 92.0),
            look=LOOKS["LAN-04"],
        )  # fmt: skip
        specimens = (replace(model, at_mm=(68.0, 95.0), radius_mm=21.0), neighbour)
    quarantine = held.water_system == "quarantine"
    ground = Ground(
        kind="tray" if side or quarantine else "tile",
        colour=(50, -1, -3) if side else (64, 0, 2) if quarantine else (56, -4, -10),
        plug=None if side or held.part_of or held.plan == "plate" else (60, 0, 3),
        plug_radius_mm=11.0,
        seed=_seed(held.water_system),
    )
    lighting = Lighting(
        lamp=_BLUE if shot.fault == "blue" else _WHITE,
        azimuth_deg=float(250 + rng.normal(0, 8)),
        elevation_deg=72.0,
        ambient=0.62,
        gradient=float(rng.uniform(0.02, 0.06)),
        gradient_deg=float(rng.uniform(0, 360)),
    )
    printed = Printed(card=card, error_de=_PRINT_ERROR_DE, seed=_seed(serial))
    return Scene(
        specimens=specimens,
        printed=None if shot.fault == "no-card" else printed,
        ground=ground,
        lighting=lighting,
    )


def noise_seed(held: Held, shot: Shot) -> int:
    """Seed of one photo's noise."""
    return _seed("noise", held.name, shot.day, shot.view, shot.fault)


def camera_of(held: Held, shot: Shot) -> Camera:
    """Hold the ward's phone over the card, never twice alike."""
    rng = np.random.default_rng(_seed("camera", held.name, shot.day, shot.view, shot.fault))
    near = shot.view == "side" or held.layout == "strip" or shot.fault == "no-card"
    return Camera(
        rows=1224,
        cols=1632,
        sensor="phone-b",
        focal_35mm=35,
        pose=Pose(
            distance_mm=float(rng.normal(285 if near else 325, 6)),
            tilt_deg=float(min(abs(rng.normal(0, 4)), 10)),
            tilt_towards_deg=float(rng.uniform(0, 360)),
            roll_deg=float(rng.normal(0, 4)),
            offset_mm=(float(rng.normal(0, 4)), float(rng.normal(0, 3))),
        ),
        develop=Develop(
            white_level=float(rng.uniform(0.72, 0.8)),
            white_error=tuple(rng.normal(1, 0.015, 3)),  # type: ignore[arg-type]
            full_well=40000,
            read_noise=3,
            defocus_px=float(rng.uniform(0.6, 0.8)),
            sharpen=0.4,
            tone="s-curve",
            saturation=1.06,
            quality=86,
        ),
        model="Pocket 3",
    )


def _write_table(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(columns)
        table.writerows(rows)


def _manifest_row(held: Held, shot: Shot) -> list[object]:
    """Return a row of the manifest: what the picture, its EXIF data and the register do not say."""
    values = {
        "photo": photo_name(held, shot),
        "height_mm": 0 if shot.view == "side" else "",
        "lamp": "blue" if shot.fault == "blue" else LAMP,
        "view": shot.view,
        "open": shot.open,
        "photographer": "ana" if shot.day % 2 else "mo",
    }
    return [values.get(column, "") for column in _MANIFEST]


def write_samples(folder: Path) -> int:
    """Render every photo of the story and write the three tables beside them; count the photos."""
    folder.mkdir(parents=True, exist_ok=True)
    manifest: list[list[object]] = []
    for held in SPECIMENS:
        for shot in sorted(held.shots, key=lambda shot: (shot.day, shot.at)):
            camera = camera_of(held, shot)
            picture = render(scene_of(held, shot), camera, seed=noise_seed(held, shot))
            heic = shot.fault == "heic"
            if heic:
                camera = replace(camera, develop=replace(camera.develop, quality=62))
            data = encode(
                picture.rgb,
                camera,
                taken_at=at(shot.day, shot.at),
                kind="heic" if heic else "jpeg",
                offset=shot.fault != "no-offset",
            )
            path = folder / photo_name(held, shot)
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(data)
            if shot.fault != "camera-named":
                manifest.append(_manifest_row(held, shot))
    _write_table(folder / "manifest.csv", _MANIFEST, manifest)
    _write_table(
        folder / "register.csv",
        _REGISTER,
        (
            [
                *(held.name, held.batch, held.supplier, held.kind, held.cost),
                *(at(0, SPECIMENS[0].shots[0].at).date().isoformat(), held.place),
                *(held.water_system, held.height_mm, held.expected_price, held.as_is_price),
            ]
            for held in SPECIMENS
            if not held.part_of
        ),
    )
    _write_table(
        folder / "care.csv",
        ("at", "specimen", "what", "detail", "by"),
        (
            [
                at(one.day, one.at).isoformat(),
                one.specimen,
                one.what,
                "; ".join(f"{key}={value}" for key, value in one.detail.items()),
                one.by,
            ]
            for one in sorted(CARE, key=lambda one: (one.day, one.at, one.specimen))
        ),
    )
    return sum(len(held.shots) for held in SPECIMENS)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    print(write_samples(Path(sys.argv[1] if len(sys.argv) > 1 else "sample_images")), "photos")
