"""``python -m bench.quality``: what each fault of a photo does to its figures, and from where on.

Scenes of the family `HELD_OUT` are photographed well and then with one fault at rising strength.
A faulty photo is compared with the good one of the same scene, so that what the tissue map gets
wrong in both does not count. No gate is closed meanwhile; what each would have seen is kept.
"""

import argparse
import importlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np
import numpy.typing as npt

from bench.shots import each, model
from phantoms.cameras import Camera
from phantoms.develop import develop, encode
from phantoms.dress import dress
from phantoms.fields import Field
from phantoms.lights import lamp
from phantoms.render import exposed, truth_of
from phantoms.scene import Scene
from phantoms.settings import HELD_OUT, random_camera, random_scene
from polypward.errors import PhotoRejectedError
from polypward.records import PhotoSettings
from polypward_vision import measure_photo, quality
from polypward_vision.colour.science import delta_e_2000
from polypward_vision.load import decode

__all__ = ["FAULTS", "Fault", "Seen", "main", "seen_in"]

MEGAPIXELS = 2.5
LAMPS = ("LED-B3", "LED-B5", "D50", "D75")  # the white ones of the family
# A figure is off when it is farther than this from that of the good photo.
AREA_OFF, COVER_OFF, COLOUR_OFF_DE = 0.05, 0.05, 2.5
# A strength is too much when more than this share of its photos is off.
MOST_OFF = 0.10
# A scene serves when its good photo is read about right.
GOOD_AREA, LEAST_MM2 = 0.15, 100.0
RIPPLE_WAVE_MM = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one photo gave, and what the gates measured in it. None: not told."""

    code: str = ""  # why it was not read at all
    live_mm2: float | None = None
    live_cover: float | None = None
    lab: tuple[float, float, float] | None = None
    gates: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault: how strong, what of the photo's gates tells it, and how it is made.

    `change` alters camera and scene; `bend` alters the light on the sensor, given mm per pixel.
    """

    name: str
    unit: str
    levels: tuple[float, ...]
    gate: str
    change: Callable[[Scene, Camera, float], tuple[Scene, Camera]] | None = None
    bend: Callable[[Field, float, float], Field] | None = None


def _px_mm(camera: Camera) -> float:
    return camera.pose.distance_mm / camera.focal_px


def _developed(scene: Scene, camera: Camera, **how: Any) -> tuple[Scene, Camera]:
    return scene, replace(camera, develop=replace(camera.develop, **how))


def _posed(scene: Scene, camera: Camera, **how: Any) -> tuple[Scene, Camera]:
    return scene, replace(camera, pose=replace(camera.pose, **how))


def _wet(scene: Scene, camera: Camera, level: float) -> tuple[Scene, Camera]:
    one = scene.specimens[0]
    return replace(scene, specimens=(replace(one, look=replace(one.look, glint=level)),)), camera


def _rippled(light: Field, level: float, px_mm: float) -> Field:
    """Shift the picture by a wave that runs along both sides, `level` mm high."""
    rows, cols = light.shape[:2]
    row, col = np.mgrid[:rows, :cols].astype(np.float32)
    wave = np.float32(2 * np.pi * px_mm / RIPPLE_WAVE_MM)
    high = np.float32(level / px_mm)
    x = col + high * np.sin(wave * (row + 0.3 * col) + np.float32(0.7))
    y = row + high * np.sin(wave * (col - 0.4 * row) + np.float32(2.1))
    return np.asarray(cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


FAULTS = (
    Fault(
        name="out of focus", unit="mm blur (SD)", levels=(0.3, 0.6, 0.9, 1.3, 1.8),
        gate="edge_mm", change=lambda s, c, v: _developed(s, c, defocus_px=v / _px_mm(c)),
    ),
    Fault(
        name="moved", unit="mm", levels=(1.0, 2.0, 3.0, 4.5, 6.0),
        gate="wide_mm", change=lambda s, c, v: _developed(s, c, motion_px=v / _px_mm(c)),
    ),
    Fault(
        name="too dark", unit="of full light", levels=(0.08, 0.04, 0.02, 0.01, 0.005),
        gate="white", change=lambda s, c, v: _developed(s, c, white_level=v),
    ),
    Fault(
        name="too bright", unit="of full light", levels=(1.0, 1.1, 1.2, 1.4, 1.8),
        gate="burnt", change=lambda s, c, v: _developed(s, c, white_level=v),
    ),
    Fault(
        name="noise", unit="electrons at full light", levels=(1500, 400, 150, 60),
        gate="noise", change=lambda s, c, v: _developed(s, c, full_well=v, read_noise=2.0),
    ),
    Fault(
        name="reflections", unit="times a wet coat", levels=(3.0, 6.0, 12.0, 25.0),
        gate="shine", change=_wet,
    ),
    Fault(
        name="from afar", unit="mm", levels=(450, 550, 650, 750),
        gate="mm_per_px", change=lambda s, c, v: _posed(s, c, distance_mm=v),
    ),
    Fault(
        name="tilted", unit="degrees", levels=(15, 25, 35, 42, 49),
        gate="tilt_deg", change=lambda s, c, v: _posed(s, c, tilt_deg=v),
    ),
    Fault(
        name="ripples", unit="mm", levels=(0.15, 0.3, 0.5, 0.8, 1.1),
        gate="off_mm", bend=_rippled,
    ),
)  # fmt: skip


@contextmanager
def _open_gates(found: dict[str, float]) -> Iterator[None]:
    """Let every photo through and note what the gates measure."""

    def card(
        photo: Any, grey: Any, marks: Any, pose: Any, samples: Any, *, mm_per_px: float
    ) -> tuple[str, ...]:
        widths = quality.edge_widths(grey, marks, mm_per_px=mm_per_px * photo.scale)
        if widths is not None:
            found.update(edge_mm=widths.width_mm, wide_mm=widths.wide_mm)
            found.update(ratio=widths.wide_mm / widths.narrow_mm)
        if samples.inside.any():
            found["white"] = float(samples.linear[samples.inside].max())
        found.update(rms_px=pose.rms_px, off_mm=pose.rms_px * mm_per_px, mm_per_px=mm_per_px)
        found.update(left_out=1 - float(pose.kept.mean()))
        if pose.tilt_deg is not None:
            found["tilt_deg"] = pose.tilt_deg
        return ()

    def tissue(
        *,
        live: Any,
        specimen: Any,
        burnt: Any,
        all_burnt: Any,
        shine: Any,
        unsure: float | None,
        **_: Any,
    ) -> tuple[str, ...]:
        if specimen.any():
            found.update(burnt=float(burnt[specimen].mean()))
            found.update(all_burnt=float(all_burnt[specimen].mean()))
        if live.any():
            found["shine"] = float(shine[live].mean())
        found["unsure"] = unsure or 0.0
        return ()

    with (
        patch("polypward_vision.sight.check_card", card),
        patch("polypward_vision.tissue_light.check_tissue", tissue),
    ):
        yield


def seen_in(jpeg: bytes, scene: Scene) -> Seen:
    """Read a photo with its measured card and every gate open."""
    assert scene.printed is not None
    card = replace(scene.printed.card, print_scale=(1.0, 1.0))
    settings = PhotoSettings(height_mm=scene.specimens[0].height_mm)
    gates: dict[str, float] = {}
    try:
        with _open_gates(gates):
            result = measure_photo(decode(jpeg), settings=settings, cards=[card], model=model())
    except PhotoRejectedError as error:
        return Seen(code=error.code, gates=gates)
    one = result.reading
    lab = None if one.L is None or one.a is None or one.b is None else (one.L, one.a, one.b)
    gates["noise"] = _grain(result.tile)
    return Seen(live_mm2=one.live_mm2, live_cover=one.live_cover, lab=lab, gates=gates)


def _grain(rgb: npt.NDArray[np.uint8]) -> float:
    """Noise of a cut-out's green, file units: median absolute second difference.

    Donoho & Johnstone 1994, Biometrika 81:425-455, use the finest wavelet's.
    """
    green = rgb[..., 1].astype(np.float32)
    second = green[:, 2:] - 2 * green[:, 1:-1] + green[:, :-2]
    return float(np.median(np.abs(second))) / 0.6745 / float(np.sqrt(6))


def _photo(light: Field, camera: Camera, seed: int) -> bytes:
    return encode(develop(light, camera, seed=seed), camera, taken_at=None)


def scene_at(seed: int) -> tuple[Scene, Camera]:
    """Draw a scene in white light with a well held camera."""
    rng = np.random.default_rng([seed, 21])
    scene = random_scene(rng, HELD_OUT, print_error_de=0.0)
    lighting = replace(scene.lighting, lamp=lamp(LAMPS[seed % len(LAMPS)]))
    camera = random_camera(rng, HELD_OUT, megapixels=MEGAPIXELS, tilt_deg=float(rng.uniform(0, 8)))
    how = replace(
        camera.develop, white_level=0.8, full_well=15000.0, read_noise=3.0, defocus_px=0.5,
        motion_px=0.0,
    )  # fmt: skip
    return replace(scene, lighting=lighting), replace(camera, develop=how)


def photos_of(seed: int, folder: Path) -> dict[str, Any] | None:
    """Read a scene photographed well and with every fault; None if the good photo is no measure.

    The photos are kept in the folder for another model, what was read in them for another run.

    Returns
    -------
    dict
        ``good`` and each fault's name with a list in the order of its levels, of `Seen` as dict.
    """
    cv2.setNumThreads(1)
    kept = folder / f"quality-{seed}-{model().version}.json"
    if not kept.exists():
        found = _read(seed, folder / f"quality-{seed}.npz")
        kept.write_text(json.dumps(found), encoding="utf-8")
    return json.loads(kept.read_text(encoding="utf-8")) or None


def _read(seed: int, kept: Path) -> dict[str, Any]:
    scene, camera = scene_at(seed)
    if kept.exists():
        with np.load(kept, allow_pickle=False) as arrays:  # noqa: TID251  (own file)
            jpegs = {name: arrays[name].tobytes() for name in arrays.files}
    else:
        jpegs = {}
    light: Field | None = None
    if "good" not in jpegs:
        light, dressed = exposed(scene, camera)
        if truth_of(scene, camera, dressed[0], scene.specimens[0]).live_mm2 < LEAST_MM2:
            return {}
        jpegs["good"] = _photo(light, camera, seed)
    good = seen_in(jpegs["good"], scene)
    if not good.live_mm2 or good.lab is None or not _right(scene, camera, good.live_mm2):
        return {}
    if light is not None:
        jpegs |= _faulty(scene, camera, light, seed)
        to_keep: Any = {name: np.frombuffer(one, np.uint8) for name, one in jpegs.items()}
        np.savez(kept, **to_keep)
    return {"good": asdict(good)} | {
        fault.name: [
            asdict(seen_in(jpegs[f"{fault.name} {number}"], scene))
            for number in range(len(fault.levels))
        ]
        for fault in FAULTS
    }


def _right(scene: Scene, camera: Camera, live_mm2: float) -> bool:
    """Tell whether a live area is about the true one."""
    worn = dress(scene.specimens[0], scene.lighting)
    true = truth_of(scene, camera, worn, scene.specimens[0]).live_mm2
    return abs(live_mm2 / true - 1) <= GOOD_AREA


def _faulty(scene: Scene, camera: Camera, light: Field, seed: int) -> dict[str, bytes]:
    """Photograph a scene with every fault at every strength."""
    found = {}
    for fault in FAULTS:
        for number, level in enumerate(fault.levels):
            changed, held = fault.change(scene, camera, level) if fault.change else (scene, camera)
            seen_light = light
            if changed is not scene or held.pose != camera.pose:
                seen_light, _ = exposed(changed, held)
            if fault.bend is not None:
                seen_light = fault.bend(light, level, _px_mm(camera))
            jpeg = _photo(seen_light, held, seed + 1000 * (number + 1))
            found[f"{fault.name} {number}"] = jpeg
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One strength of one fault over all scenes."""

    level: float
    gate: float | None  # median of what the gate measures
    read: int
    of: int
    area_off: float
    cover_off: float
    colour_off: float
    coloured: int

    @property
    def too_much(self) -> bool:
        """Whether area or colour is off too often; what is not read does no harm."""
        return max(self.area_off, self.colour_off) > MOST_OFF


def lines(fault: Fault, scenes: Sequence[dict[str, Any]]) -> list[Line]:
    """Condense a fault."""
    made = []
    for number, level in enumerate(fault.levels):
        pairs = [(scene["good"], scene[fault.name][number]) for scene in scenes]
        read = [(good, bad) for good, bad in pairs if bad["live_mm2"] is not None]
        gates = [bad["gates"][fault.gate] for _, bad in pairs if fault.gate in bad["gates"]]
        area = [abs(bad["live_mm2"] / good["live_mm2"] - 1) > AREA_OFF for good, bad in read]
        cover = [
            abs((bad["live_cover"] or 0) - good["live_cover"]) > COVER_OFF for good, bad in read
        ]
        colour = [
            float(delta_e_2000(np.array(bad["lab"]), np.array(good["lab"]))) > COLOUR_OFF_DE
            for good, bad in read
            if bad["lab"] is not None
        ]
        made.append(
            Line(
                level=level,
                gate=float(np.median(gates)) if gates else None,
                read=len(read),
                of=len(pairs),
                area_off=float(np.mean(area)) if area else 0.0,
                cover_off=float(np.mean(cover)) if cover else 0.0,
                colour_off=float(np.mean(colour)) if colour else 0.0,
                coloured=len(colour),
            )
        )
    return made


def limit(found: Sequence[Line]) -> tuple[float | None, float | None]:
    """Give what the gate measures at the last strength before it is too much, and at the first."""
    last: float | None = None
    for line in found:
        if line.too_much:
            return last, line.gate
        last = line.gate
    return last, None


def as_table(scenes: Sequence[dict[str, Any]]) -> str:
    """Lay every fault out in Markdown."""
    out = [
        "| fault | strength | the gate sees | read | area off | cover off | colour off |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for fault in FAULTS:
        found = lines(fault, scenes)
        for line in found:
            gate = "" if line.gate is None else f"{line.gate:.3g}"
            mark = " **" if line.too_much else " "
            out.append(
                f"| {fault.name} | {line.level:g} {fault.unit} | {fault.gate} {gate} "
                f"| {line.read} of {line.of} |{mark}{line.area_off:.0%}{mark.strip()} "
                f"| {line.cover_off:.0%} |{mark}{line.colour_off:.0%}{mark.strip()} "
                f"of {line.coloured} |"
            )
    return "\n".join(out)


def main() -> None:
    """Photograph the scenes that are not kept yet, print the table and the limits."""
    parser = argparse.ArgumentParser(prog="python -m bench.quality", description=__doc__)
    parser.add_argument("--scenes", type=int, default=10)
    parser.add_argument("--seed", type=int, default=5000, help="of the first scene")
    parser.add_argument("--cache", type=Path, help="folder for what was measured")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    folder = asked.cache or Path(tempfile.gettempdir()) / "polypward-quality"
    folder.mkdir(parents=True, exist_ok=True)
    start = time.monotonic()
    scenes: list[dict[str, Any]] = []
    tasks = range(asked.seed, asked.seed + 4 * asked.scenes)
    for found in each(partial(photos_of, folder=folder), tasks, jobs=asked.jobs):
        scenes += [found] if found else []
        print(f"{len(scenes)} scenes, {time.monotonic() - start:.0f} s", file=sys.stderr)
        if len(scenes) == asked.scenes:
            break
    print(as_table(scenes))
    for fault in FAULTS:
        last, first = limit(lines(fault, scenes))
        print(f"{fault.name}: fine to {fault.gate} {last}, too much at {first}")


if __name__ == "__main__":
    importlib.import_module("bench.quality").main()
