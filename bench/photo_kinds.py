"""Rendered specimens through weeks: what befalls each, and the photos of it, for `photo_courses`.

A ward is one lamp, one phone and one printed card of nominal colours; its specimens have their own
bodies, colours, growths and heights, drawn from a family of `phantoms.settings`. The same animal is
photographed 7 +- 2 days apart, turned, shifted and tilted a little, never equally inflated; a
contracted one looks paler, as in `course_kinds`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from phantoms.cameras import Camera
from phantoms.lights import Lamp
from phantoms.render import encode_jpeg, render
from phantoms.scene import Look, Scene, SpecimenModel
from phantoms.settings import Family, random_camera, random_look, random_scene
from phantoms.spectra import lab_of, reflectance, xyz_matrix
from polypward.course.paling import Axis

__all__ = ["AT", "KINDS", "VISITS", "Kind", "Photo", "PhotoWard", "Tale", "draw_ward", "photograph"]

VISITS: Final = 9
AT: Final = 4  # the visit at which a harm shows first
_START: Final = datetime(2025, 1, 6, 10, tzinfo=UTC)
# What is to pale by 0.15 starts from a colour so far from the skeleton's, Lab units; shading
# takes a fifth of it. Other specimens have any colour of the family.
_LEAST_AXIS_LAB: Final = 35.0
# Paler by this share of the axis, times (1 - expansion) to the power 1.3, when contracted.
_AWAY: Final = 0.25

State = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of course: the flag that names its harm ("" = no harm), and its states.

    `states` gives shares of the whole specimen (`bare`, `overgrown`) and the paling index for each
    visit. `early` is the number of visits before `AT` at which a flag counts too. `swing` scales
    the walk of the area; `lamp` says whether the lamp is another one from `AT` on.
    """

    name: str
    flag: str
    states: Callable[["Tale"], list[State]]
    early: int = 0
    swing: float = 0.5
    lamp: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tale:
    """One specimen through time, without its photos: days from the start, inflation, first state.

    `cover` and `grown` are live cover and overgrown share at the start.
    """

    days: tuple[int, ...]
    expansion: tuple[float, ...]
    cover: float
    grown: float
    pale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photo of a visit: JPEG bytes, what people say of it, and the truth.

    `cover` is the true live cover, `lab_live` and `lab_bare` the true mean CIELAB D50 of live
    tissue and of bare skeleton, None where there is none.
    """

    jpeg: bytes
    taken_at: datetime
    lamp: str
    open: str
    plan: str
    height_mm: float
    cover: float
    lab_live: tuple[float, float, float] | None
    lab_bare: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoWard:
    """What the photos of one ward share."""

    family: Family
    scene: Scene  # its card, ground and lighting
    camera: Camera  # its phone
    other: Lamp
    named: bool  # whether people tell a new lamp and how open the polyps are
    seed: int


def _still(tale: Tale) -> list[State]:
    bare = 1 - tale.cover - tale.grown
    return [{"bare": bare, "overgrown": tale.grown, "paling": tale.pale} for _ in tale.days]


def _lose(tale: Tale, share: Callable[[float], float], *, into: str) -> list[State]:
    """Lose a share of the live cover, by the weeks since `AT`, to bare or overgrown skeleton."""
    done = []
    for day, state in zip(tale.days, _still(tale), strict=True):
        gone = tale.cover * share((day - tale.days[AT]) / 7)
        done.append({**state, into: state[into] + gone})
    return done


def _pale(tale: Tale) -> list[State]:
    return [
        {**state, "paling": state["paling"] + 0.15 * (visit >= AT)}
        for visit, state in enumerate(_still(tale))
    ]


def _recover(tale: Tale) -> list[State]:
    """Colour up and grow over its bare skeleton within six visits, then stay."""
    done: list[State] = []
    for visit in range(len(tale.days)):
        risen = min(1.0, visit / 5)
        cover = 0.62 + 0.3 * risen
        done.append({"bare": 1 - cover, "overgrown": 0.0, "paling": 0.4 * (1 - risen)})
    return done


KINDS: Final = (
    Kind("stable", "", _still),
    Kind("inflating and contracting", "", _still, swing=1.6),
    Kind("another lamp", "", _still, lamp=True),
    Kind("recovering", "", _recover),
    Kind("loss of 10 % in a week", "recession",
         lambda tale: _lose(tale, lambda week: 0.1 * (week >= 0), into="bare")),
    Kind("loss of 2.5 % a week", "recession",
         lambda tale: _lose(tale, lambda week: max(0.0, 0.1 + 0.025 * week), into="bare"), early=3),
    Kind("10 % overgrown", "overgrowth",
         lambda tale: _lose(tale, lambda week: 0.1 * (week >= 0), into="overgrown")),
    Kind("sharp loss of 25 %", "sharp-loss",
         lambda tale: _lose(tale, lambda week: 0.25 * (week >= 0), into="bare")),
    Kind("paling by 0.15", "paling", _pale),
)  # fmt: skip


def draw_ward(family: Family, *, seed: int, number: int) -> PhotoWard:
    """Draw ward `number` of a run; every fourth has strips instead of frames."""
    rng = np.random.default_rng([seed, number])
    layout = "strip" if number % 4 == 3 else "frame"
    scene = random_scene(rng, family, layout=layout, print_error_de=float(rng.uniform(1, 5)))
    lamps = [lamp for lamp in family.lamps if lamp.name != scene.lighting.lamp.name]
    return PhotoWard(
        family=family,
        scene=scene,
        camera=random_camera(rng, family, megapixels=2.2, tilt_deg=0),
        other=lamps[rng.integers(len(lamps))],
        named=number % 2 == 0,
        seed=int(rng.integers(2**31)),
    )


def _rich(rng: np.random.Generator, family: Family, own: SpecimenModel) -> Look:
    """Draw a look that has room to pale."""
    look = own.look
    while np.linalg.norm(np.add(look.main, look.second) / 2 - own.skeleton) < _LEAST_AXIS_LAB:
        look = random_look(rng, family)
    return look


def _tale(rng: np.random.Generator, kind: Kind) -> Tale:
    days = np.cumsum([0, *rng.integers(5, 10, VISITS - 1)])
    area, state = [], rng.normal()
    for _ in range(VISITS):
        area.append(0.5 + 0.7 / (1 + np.exp(-(0.8 + kind.swing * state))))
        state = 0.3 * state + np.sqrt(1 - 0.3**2) * rng.normal()
    return Tale(
        days=tuple(int(day) for day in days),
        expansion=tuple(float(size) for size in area),
        cover=float(rng.choice([0.99, 0.95, 0.9, 0.8])),
        grown=float(rng.choice([0.0, 0.01])),
        pale=float(rng.choice([0.0, 0.1])),
    )


def _mix(model: SpecimenModel, index: float) -> float:
    """Share of skeleton in the tissue's reflectance that gives a paling index (Lab, flat)."""
    rich = (reflectance(model.look.main) + reflectance(model.look.second)) / 2
    white = reflectance(model.skeleton)

    def lab(share: float) -> tuple[float, float, float]:
        mixed = ((1 - share) * rich + share * white) @ xyz_matrix()
        found = lab_of(mixed[None, None].astype(np.float32))[0, 0]
        return float(found[0]), float(found[1]), float(found[2])

    axis = Axis(lab(0.0), lab(1.0))
    shares = np.linspace(0, 1, 101)
    return float(np.interp(index, [axis.place(lab(share))[0] for share in shares], shares))


def photograph(ward: PhotoWard, kind: Kind, number: int) -> list[Photo]:
    """Photograph a specimen of a ward through its course, a photo a visit."""
    rng = np.random.default_rng([ward.seed, number])
    card = ward.scene.printed
    assert card is not None
    own = random_scene(rng, ward.family, card=card.card).specimens[0]
    largest = 33.0 if card.card.window_mm else 27.0
    own = replace(
        own,
        look=_rich(rng, ward.family, own) if kind.flag == "paling" else own.look,
        radius_mm=min(own.radius_mm, largest),
        height_mm=float(rng.uniform(0, 20)),
    )
    tale = _tale(rng, kind)
    taken = []
    for visit, state in enumerate(kind.states(tale)):
        size = tale.expansion[visit]
        pale = state["paling"] + _AWAY * max(0.0, 1 - size) ** 1.3
        model = replace(
            own,
            bare=state["bare"],
            overgrown=state["overgrown"],
            paling=_mix(own, pale),
            expansion=size,
            visit_seed=visit,
            turn_deg=own.turn_deg + float(rng.normal(0, 8)),
        )
        new_lamp = kind.lamp and visit >= AT
        lighting = replace(
            ward.scene.lighting,
            azimuth_deg=ward.scene.lighting.azimuth_deg + float(rng.normal(0, 8)),
            lamp=ward.other if new_lamp else ward.scene.lighting.lamp,
        )
        scene = replace(ward.scene, specimens=(model,), lighting=lighting)
        rendering = render(scene, _camera(ward, rng), seed=int(rng.integers(2**31)))
        at = _START + timedelta(days=tale.days[visit], minutes=float(rng.uniform(-50, 50)))
        truth = rendering.truth
        assert truth is not None
        taken.append(
            Photo(
                jpeg=encode_jpeg(rendering, taken_at=at),
                taken_at=at,
                lamp="new lamp" if new_lamp and ward.named else "white",
                open=("in" if size < 0.7 else "out") if ward.named else "",
                plan=own.plan,
                height_mm=truth.height_mm,
                cover=truth.live_cover,
                lab_live=truth.lab_live,
                lab_bare=truth.lab_bare,
            )
        )
    return taken


def _camera(ward: PhotoWard, rng: np.random.Generator) -> Camera:
    """Hold the ward's phone anew: another pose, exposure and focus."""
    tilt = float(min(abs(rng.normal(0, 5)), 14))
    held = random_camera(rng, ward.family, megapixels=2.2, tilt_deg=tilt)
    phone = ward.camera.develop
    develop = replace(
        held.develop,
        tone=phone.tone,
        saturation=phone.saturation,
        sharpen=phone.sharpen,
        vignette=phone.vignette,
        full_well=phone.full_well,
        read_noise=phone.read_noise,
        quality=phone.quality,
    )
    return replace(ward.camera, pose=held.pose, develop=develop)
