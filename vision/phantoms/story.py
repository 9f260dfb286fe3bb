"""The story of the demo ward, as data: eight specimens, five weeks, six rounds of photos.

Every name is invented. Day 0 is `FIRST_DAY`; photos are taken at 10:30 in the ward's own zone.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, timezone

from phantoms.scene import Lab, Look

__all__ = [
    "CARDS",
    "CARE",
    "FIRST_DAY",
    "LAMP",
    "LOOKS",
    "SPECIMENS",
    "ZONE",
    "Care",
    "Held",
    "Shot",
    "at",
]

FIRST_DAY = date(2025, 9, 8)
ZONE = timezone(timedelta(hours=2))
LAMP = "white 5000 K"

# Serial of each water system's cards, by layout; the quarantine's own cards stay there.
CARDS = {
    ("lagoon", "frame"): "F5D9NTT",
    ("lagoon", "strip"): "S74KBX3",
    ("quarantine", "frame"): "FFV6AH3",
    ("quarantine", "strip"): "SQ8EY34",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo: its day, what the specimen looks like then, and what is odd about the photo."""

    day: int
    state: Mapping[str, float] = field(default_factory=dict)  # fields of SpecimenModel
    view: str = "top"
    open: str = ""
    at: time = time(10, 30)
    # "", "blue", "no-card", "heic", "camera-named", "two", "no-offset"
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One specimen: its row of the register and its photos."""

    name: str
    batch: str
    supplier: str
    kind: str
    cost: float
    place: str
    water_system: str
    height_mm: float
    expected_price: float
    as_is_price: float
    plan: str
    radius_mm: float
    seed: int
    shots: tuple[Shot, ...]
    layout: str = "frame"
    growth: str = "turf"
    skeleton: Lab = (88.0, 0.3, 6.0)
    septa_mm: float = 0.12
    loss: str = "rim"
    loss_direction_deg: float = 0.0
    part_of: str = ""  # parent of a piece; a piece has no row in the register


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """One row of care.csv; `detail` is written as ``key=value; key=value``."""

    day: int
    specimen: str
    what: str
    detail: Mapping[str, str] = field(default_factory=dict)
    by: str = "mo"
    at: time = time(11, 30)


def at(day: int, when: time) -> datetime:
    """Return a moment of the story, in the ward's zone."""
    return datetime.combine(FIRST_DAY + timedelta(days=day), when, ZONE)


LOOKS: dict[str, Look] = {
    "LAN-01": Look(main=(40, -2, 30), second=(48, -24, 34), mouth=(62, -34, 42), rim=(46, -4, 32),
                   pattern="stripes", contrast=0.7, glint=0.35),
    "LAN-02": Look(main=(42, 34, 22), second=(36, 24, 14), mouth=(56, -8, 26), rim=(50, 30, 26),
                   pattern="mottled", contrast=0.6, glint=0.35),
    "LAN-03": Look(main=(46, -14, 28), second=(52, -24, 34), mouth=(64, -4, 40), rim=(60, 18, 16),
                   pattern="stripes", contrast=0.5, glint=0.3),
    "LAN-04": Look(main=(56, 28, 34), second=(50, 32, 28), mouth=(64, 8, 42), rim=(60, 24, 34),
                   pattern="plain", contrast=0.6, glint=0.3),
    "LAN-05": Look(main=(56, 4, 26), second=(48, 8, 24), mouth=(60, 0, 25), rim=(62, -2, 24),
                   pattern="mottled", contrast=0.5, translucent=0.12, glint=0.4),
    "LAN-06": Look(main=(38, 30, 2), second=(46, 20, -10), mouth=(58, -20, 30), rim=(46, 28, 4),
                   pattern="stripes", contrast=0.6, glint=0.35),
    "LAN-07": Look(main=(50, -26, 28), second=(42, -6, 26), mouth=(66, -10, 36), rim=(58, -24, 32),
                   pattern="stripes", contrast=0.5, glint=0.35),
    "LAN-08": Look(main=(44, 10, 28), second=(38, 14, 22), mouth=(58, -26, 32), rim=(54, 8, 26),
                   pattern="stripes", contrast=0.4, glint=0.25),
}  # fmt: skip

_ROUNDS = (0, 7, 14, 21, 28, 35)


def _series(**values: tuple[float, ...]) -> list[dict[str, float]]:
    """Return the states of the rounds from one sequence for each field."""
    return [dict(zip(values, one, strict=True)) for one in zip(*values.values(), strict=True)]


def _shots(*states: Mapping[str, float], days: tuple[int, ...] = _ROUNDS) -> list[Shot]:
    return [Shot(day=day, state=state) for day, state in zip(days, states, strict=True)]


def _odd(shots: list[Shot], index: int, **change: object) -> list[Shot]:
    shots[index] = replace(shots[index], **change)  # type: ignore[arg-type]
    return shots


# It arrives pale, colours up week by week, and is sold.
_PALE_ARRIVAL = _shots(*_series(paling=(0.42, 0.36, 0.27, 0.17, 0.09, 0.05)))
# It is moved under brighter light on day 15 and pales from then on.
_MOVED = [
    *_odd(_shots(*_series(paling=(0.04, 0.05, 0.04, 0.2, 0.36, 0.48))), 2, fault="heic"),
    Shot(day=23, state={"paling": 0.25}, at=time(20, 15), fault="blue"),
]
# The foot of its stalk dies; from above the flesh hides it, a side view shows it.
_BASE = [
    *_shots(*({} for _ in _ROUNDS)),
    *(
        Shot(day=day, state=state, view="side", at=time(10, 34))
        for day, state in zip(
            _ROUNDS,
            _series(
                bare=(0.0, 0.0, 0.06, 0.13, 0.2, 0.28),
            ),
            strict=True,
        )
    ),
]
# Turf creeps over one edge.
_EDGE = [
    *_odd(
        _shots(
            *_series(
                overgrown=(0.02, 0.03, 0.05, 0.1, 0.16, 0.22),
                bare=(0.01, 0.01, 0.01, 0.02, 0.02, 0.02),
            )
        ),
        2,
        fault="no-offset",
    ),
    Shot(day=7, state={"overgrown": 0.03, "bare": 0.01}, at=time(10, 41), fault="no-card"),
]
# It is twice as large on one day as on the next, and loses nothing.
_BREATHES = [
    Shot(day=day, state={"expansion": size, "paling": paling}, open=how)
    for day, size, paling, how in zip(
        _ROUNDS,
        (1.0, 0.5, 0.95, 0.52, 1.0, 0.5),
        (0.04, 0.08, 0.04, 0.08, 0.04, 0.08),
        ("out", "in", "out", "in", "out", "in"),
        strict=True,
    )
]
# It arrives as a bare skeleton with a shrivelled middle, and opens on day 9.
_SHRUNKEN = [
    Shot(day=0, state={"bare": 0.74, "paling": 0.1}, open="in"),
    Shot(day=7, state={"bare": 0.7, "paling": 0.1}, open="in"),
    Shot(day=9, state={"bare": 0.16, "paling": 0.08, "expansion": 1.05}, open="out"),
    Shot(day=14, state={"bare": 0.12, "paling": 0.07, "expansion": 1.1}, open="out"),
    Shot(day=21, state={"bare": 0.1, "paling": 0.06, "expansion": 1.12}, open="out"),
    Shot(day=28, state={"bare": 0.08, "paling": 0.05, "expansion": 1.14}, open="out"),
    Shot(day=35, state={"bare": 0.07, "paling": 0.05, "expansion": 1.15}, open="out"),
    Shot(day=28, state={"bare": 0.08, "paling": 0.05}, at=time(10, 52), fault="two"),
]
_WHOLE = _shots({}, {}, {}, {}, days=(0, 7, 14, 21))
_PIECE = _shots({}, {}, days=(28, 35))
# It is there on three rounds, then it is gone.
_LOST = [
    *_shots({}, {}, {}, days=(0, 7, 14)),
    Shot(day=14, at=time(10, 58), fault="camera-named"),
]

SPECIMENS: tuple[Held, ...] = (
    Held(
        name="LAN-01", batch="crate-12", supplier="Ondriva", kind="button coral", cost=42,
        place="shelf low", water_system="lagoon", height_mm=12, expected_price=120, as_is_price=45,
        plan="disc", radius_mm=24, seed=101, shots=tuple(_PALE_ARRIVAL),
    ),
    Held(
        name="LAN-02", batch="crate-12", supplier="Ondriva", kind="lobed brain coral", cost=65,
        place="shelf low", water_system="lagoon", height_mm=15, expected_price=170, as_is_price=80,
        plan="lobed", radius_mm=33, seed=202, shots=tuple(_MOVED),
    ),
    Held(
        name="LAN-03", batch="crate-12", supplier="Ondriva", kind="stalked cup coral", cost=50,
        place="shelf middle", water_system="lagoon", height_mm=24, expected_price=140,
        as_is_price=60, plan="disc", radius_mm=27, seed=303, shots=tuple(_BASE),
    ),
    Held(
        name="LAN-04", batch="crate-12", supplier="Ondriva", kind="meander coral", cost=58,
        place="shelf middle", water_system="lagoon", height_mm=10, expected_price=150,
        as_is_price=70, plan="meander", radius_mm=31, seed=404, loss="edge",
        loss_direction_deg=200, growth="turf", shots=tuple(_EDGE),
    ),
    Held(
        name="LAN-05", batch="crate-13", supplier="Mellquay", kind="bladder coral", cost=55,
        place="quarantine tub", water_system="quarantine", height_mm=16, expected_price=140,
        as_is_price=75, plan="bubbly", radius_mm=33, seed=505, shots=tuple(_BREATHES),
    ),
    Held(
        name="LAN-06", batch="crate-13", supplier="Mellquay", kind="button coral", cost=40,
        place="quarantine tub", water_system="quarantine", height_mm=12, expected_price=110,
        as_is_price=10, plan="disc", radius_mm=25, seed=606, skeleton=(91, 0, 5), septa_mm=0.4,
        shots=tuple(_SHRUNKEN),
    ),
    Held(
        name="LAN-07", batch="crate-13", supplier="Mellquay", kind="folded coral", cost=90,
        place="quarantine tub", water_system="quarantine", height_mm=14, expected_price=260,
        as_is_price=130, plan="folded", radius_mm=38, seed=707, shots=tuple(_WHOLE),
    ),
    Held(
        name="LAN-07A", batch="crate-13", supplier="Mellquay", kind="folded coral", cost=0,
        place="quarantine tub", water_system="quarantine", height_mm=14, expected_price=130,
        as_is_price=65, plan="folded", radius_mm=38, seed=707, shots=tuple(_PIECE),
        part_of="LAN-07",
    ),
    Held(
        name="LAN-07B", batch="crate-13", supplier="Mellquay", kind="folded coral", cost=0,
        place="quarantine tub", water_system="quarantine", height_mm=14, expected_price=130,
        as_is_price=65, plan="folded", radius_mm=38, seed=707, shots=tuple(_PIECE),
        part_of="LAN-07",
    ),
    Held(
        name="LAN-08", batch="crate-13", supplier="Mellquay", kind="plate coral", cost=48,
        place="quarantine tub", water_system="quarantine", height_mm=8, expected_price=130,
        as_is_price=60, plan="plate", radius_mm=29, seed=808, layout="strip", shots=tuple(_LOST),
    ),
)  # fmt: skip

CARE: tuple[Care, ...] = (
    *(
        Care(day=0, specimen=one.name, what="quarantine", detail={"status": "started"})
        for one in SPECIMENS
        if one.water_system == "quarantine" and not one.part_of
    ),
    Care(
        day=1,
        specimen="LAN-06",
        what="look",
        detail={"state": "alive", "note": "mouth closes when touched, keep it"},
        by="ana",
        at=time(10, 50),
    ),
    Care(day=10, specimen="LAN-01", what="feeding", detail={"food": "small shrimp", "eaten": "yes"},
         at=time(19, 0)),
    Care(day=12, specimen="LAN-06", what="feeding", detail={"food": "small shrimp", "eaten": "yes"},
         at=time(19, 0)),
    Care(day=15, specimen="LAN-02", what="move", detail={"to": "shelf high"}, at=time(16, 0)),
    Care(day=17, specimen="LAN-05", what="feeding", detail={"food": "small shrimp", "eaten": "yes"},
         at=time(19, 0)),
    Care(day=20, specimen="LAN-08", what="lost", detail={"note": "gone from its place, not found"},
         by="ana", at=time(9, 15)),
    Care(day=22, specimen="LAN-07", what="split", detail={"children": "LAN-07A LAN-07B"},
         by="ana", at=time(15, 0)),
    *(
        Care(day=28, specimen=name, what="quarantine", detail={"status": "done"})
        for name in ("LAN-05", "LAN-06")
    ),
    Care(day=30, specimen="LAN-01", what="feeding", detail={"food": "small shrimp", "eaten": "yes"},
         at=time(19, 0)),
    Care(day=35, specimen="LAN-01", what="sold", detail={"price": "120"}, by="ana", at=time(17, 0)),
)  # fmt: skip
