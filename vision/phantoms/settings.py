"""Three families of random scenes and cameras: to train on, to choose by, to measure on.

They share no body plan, tissue colour, growth, ground, lamp or sensor. `TRAIN` is trained on,
`HELD_OUT` is looked at while a model is made, `UNSEEN` gives the figures that are printed: what was
tuned on one is not measured on its own habits.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from phantoms.cameras import Camera, Develop, Pose
from phantoms.colours import near
from phantoms.lights import Lamp, lamp, reef
from phantoms.scene import Ground, Lab, Lighting, Look, Printed, Scene, SpecimenModel
from polypward.cards import load_layout
from polypward.records import Card

__all__ = ["HELD_OUT", "TRAIN", "UNSEEN", "Family", "random_camera", "random_look", "random_scene"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """What a generator of scenes and cameras may choose from."""

    name: str
    plans: tuple[str, ...]
    colours: tuple[Lab, ...]
    growths: tuple[str, ...]
    grounds: tuple[str, ...]
    lamps: tuple[Lamp, ...]
    sensors: tuple[str, ...]
    tones: tuple[str, ...]
    plugs: tuple[Lab, ...]


TRAIN = Family(
    name="train",
    plans=(
        "disc",
        "lobed",
        "meander",
        "tentacled",
        "plate",
        "ring",
        "ribbon",
        "heads",
        "sheet",
        "fan",
        "nested",
    ),
    colours=(
        (42, 10, 26),  # brown
        (45, -8, 30),  # olive
        (68, -42, 46),  # bright green
        (40, 42, 24),  # red
        (40, 26, -22),  # purple
        (78, 3, 18),  # cream
        (52, -26, -4),  # teal
        (66, 6, 50),  # gold
        (62, 28, 2),  # pink
        (85, 0, 9),  # near-white
    ),
    growths=("turf", "coralline", "film", "dark"),
    grounds=("tray", "sand", "rack", "bars", "pebbles"),
    lamps=(lamp("LED-B4"), lamp("D55"), lamp("D65"), reef(0.2, white="LED-B4")),
    sensors=("phone-a", "phone-b", "phone-c"),
    tones=("srgb", "gamma"),
    plugs=((62, 0, 3), (55, 8, -8), (78, 1, 8)),
)
HELD_OUT = Family(
    name="held-out",
    plans=("folded", "bubbly", "branching"),
    colours=(
        (58, 6, 28),  # tan
        (50, -28, 28),  # green
        (60, 34, 46),  # orange
        (32, 28, 6),  # wine
        (60, 16, -18),  # lavender
        (55, -4, -14),  # grey-blue
        (80, 2, 14),  # light cream
        (34, 10, 18),  # dark brown
        (66, -20, 46),  # yellow-green
        (56, 30, 14),  # rose
    ),
    growths=("hair", "maroon", "slime"),
    grounds=("grid", "tile"),
    lamps=(lamp("LED-B3"), lamp("LED-B5"), lamp("D50"), lamp("D75"), reef(0.25, white="LED-B5")),
    sensors=("Nikon 5100 (NPL)", "phone-d", "phone-e"),
    tones=("s-curve", "filmic"),
    plugs=((48, 2, -6), (70, -2, 4)),
)
UNSEEN = Family(
    name="unseen",
    plans=("cups", "petals", "terraces", "coil"),
    colours=(
        (47, 14, 33),  # chestnut
        (56, -34, 36),  # leaf green
        (72, -24, 58),  # lime
        (36, 34, 16),  # claret
        (52, 22, -28),  # violet
        (54, 40, 34),  # coral red
        (70, 12, 34),  # apricot
        (62, -12, -12),  # sea blue
        (76, 6, 10),  # blush
        (30, 4, 10),  # umber
        (83, -3, 11),  # ivory
    ),
    growths=("moss", "rust", "violet", "sponge"),
    grounds=("gravel", "brick"),
    lamps=(lamp("LED-V2"), lamp("ID50"), lamp("D60"), lamp("ID65"), reef(0.22, white="LED-V2")),
    sensors=("phone-f", "phone-g", "phone-h"),
    tones=("s-curve", "filmic"),
    plugs=((58, 3, 8), (40, 0, 0), (74, 2, -2)),
)


_near = partial(near, light=(12, 93))


def random_look(rng: np.random.Generator, family: Family) -> Look:
    """Colours and pattern of one specimen's tissue."""
    picks = rng.choice(len(family.colours), 4)
    main, second, mouth, rim = (
        _near(rng, family.colours[pick], spread)
        for pick, spread in zip(picks, (5, 5, 6, 6), strict=True)
    )
    if rng.random() < 0.5:  # a single hue, lighter and darker
        second = _near(rng, (main[0] + rng.choice([-12, 12]), main[1], main[2]), 4)
    if rng.random() < 0.5:
        rim = _near(rng, (main[0] + 6, main[1], main[2]), 4)
    return Look(
        main=main,
        second=second,
        mouth=mouth,
        rim=rim,
        pattern=rng.choice(["plain", "stripes", "mottled", "rings"]),
        contrast=float(rng.uniform(0.25, 0.95)),
        translucent=float(rng.uniform(0, 0.3)),
        glint=float(rng.uniform(0.1, 0.8)),
    )


def _random_specimen(
    rng: np.random.Generator, family: Family, *, largest_mm: float
) -> SpecimenModel:
    paling = rng.choice([rng.uniform(0, 0.2), rng.uniform(0.2, 0.5), rng.uniform(0.5, 0.75)],
                        p=[0.6, 0.27, 0.13])  # fmt: skip
    bare = 0.0 if rng.random() < 0.35 else float(rng.beta(1.2, 4))
    overgrown = 0.0 if rng.random() < 0.4 else float(rng.beta(1.2, 4))
    if rng.random() < 0.12:  # mostly dead
        bare, overgrown = float(rng.uniform(0.5, 0.9)), 0.4 * overgrown
    height = float(rng.uniform(0, 30))
    seed = int(rng.integers(2**31))
    return SpecimenModel(
        plan=str(rng.choice(family.plans)),
        radius_mm=float(rng.uniform(0.45, 1) * largest_mm * (1 - height / 400)),
        height_mm=height,
        seed=seed,
        look=random_look(rng, family),
        visit_seed=int(rng.integers(2**31)),
        paling=float(paling),
        patchy=float(rng.uniform(0, 0.5)),
        bare=bare,
        overgrown=min(overgrown, 0.95 - bare),
        loss=rng.choice(["rim", "edge", "patches", "heads"]),
        loss_direction_deg=float(rng.uniform(0, 360)),
        growth=rng.choice(family.growths),
        skeleton=(rng.uniform(80, 92), rng.uniform(-1, 2), rng.uniform(3, 13)),
        septa_mm=float(np.random.default_rng(seed).uniform(0.08, 0.5)),
        turn_deg=float(rng.uniform(0, 360)),
    )


def random_scene(
    rng: np.random.Generator,
    family: Family,
    *,
    layout: str | None = None,
    card: Card | None = None,
    print_error_de: float | None = None,
    height_mm: float | None = None,
) -> Scene:
    """Draw a scene with one specimen beside or inside a card.

    Parameters
    ----------
    rng : Generator
        Source of every choice.
    family : Family
        `TRAIN`, `HELD_OUT` or `UNSEEN`.
    layout : str, optional
        ``"frame"`` or ``"strip"``; drawn when not given (seven frames to three strips).
    card : Card, optional
        The card itself, instead of a layout.
    print_error_de : float, optional
        RMS print error of the card; drawn from 0 .. 5 when not given.
    height_mm : float, optional
        Height of the specimen's plane over the card; drawn from 0 .. 30 when not given.
    """
    if card is None:
        name = layout or ("frame" if rng.random() < 0.7 else "strip")
        card = replace(load_layout(name), serial=f"T{rng.integers(10**6):06d}")
    specimen = _random_specimen(rng, family, largest_mm=40 if card.window_mm else 34)
    if height_mm is not None:
        specimen = replace(specimen, height_mm=height_mm)
    error = float(rng.uniform(0, 5)) if print_error_de is None else print_error_de
    ground = Ground(
        kind=rng.choice(family.grounds),
        plug=None if rng.random() < 0.3 else family.plugs[rng.integers(len(family.plugs))],
        plug_radius_mm=float(rng.uniform(9, 18)),
        plug_growth=0.0 if rng.random() < 0.6 else float(rng.uniform(0.1, 0.8)),
        glue=bool(rng.random() < 0.3),
        seed=int(rng.integers(2**31)),
    )
    lighting = Lighting(
        lamp=family.lamps[rng.integers(len(family.lamps))],
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(48, 82)),
        ambient=float(rng.uniform(0.45, 0.75)),
        gradient=float(rng.uniform(0, 0.12)),
        gradient_deg=float(rng.uniform(0, 360)),
    )
    printed = Printed(
        card=card,
        error_de=error,
        seed=int(rng.integers(2**31)),
        window_cut=bool(rng.random() < 0.7),
    )
    return Scene(specimens=(specimen,), printed=printed, ground=ground, lighting=lighting)


def random_camera(
    rng: np.random.Generator,
    family: Family,
    *,
    megapixels: float | None = None,
    tilt_deg: float | None = None,
) -> Camera:
    """Draw a phone held over a card.

    Parameters
    ----------
    rng : Generator
        Source of every choice.
    family : Family
        `TRAIN`, `HELD_OUT` or `UNSEEN`.
    megapixels : float, optional
        Size of the picture (4:3); drawn from 3, 5, 8, 12 when not given.
    tilt_deg : float, optional
        Angle to the card's normal; mostly under 12, up to 25 when not given.
    """
    size = float(rng.choice([3, 5, 8, 12])) if megapixels is None else megapixels
    rows = 4 * round(np.sqrt(size * 1e6 * 3 / 4) / 4)
    tilt = float(min(abs(rng.normal(0, 8)), 25)) if tilt_deg is None else tilt_deg
    pose = Pose(
        distance_mm=float(rng.uniform(300, 400)),
        tilt_deg=tilt,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6)),
        offset_mm=(float(rng.uniform(-12, 12)), float(rng.uniform(-12, 12))),
    )
    sharpness = rows / 3000  # a larger picture of the same lens is softer per pixel
    develop = Develop(
        white_level=float(rng.uniform(0.6, 0.92)),
        white_error=tuple(rng.normal(1, 0.04, 3)),  # type: ignore[arg-type]
        full_well=float(rng.uniform(6000, 30000)),
        read_noise=float(rng.uniform(2, 8)),
        defocus_px=float(rng.uniform(0.4, 0.6 + 0.7 * sharpness)),
        motion_px=float(max(0.0, rng.normal(0, 0.8))),
        motion_deg=float(rng.uniform(0, 180)),
        sharpen=float(rng.uniform(0, 0.9)),
        tone=rng.choice(family.tones),
        saturation=float(rng.uniform(1.0, 1.2)),
        vignette=float(rng.uniform(0, 0.15)),
        quality=int(rng.integers(82, 97)),
    )
    return Camera(
        rows=rows,
        cols=4 * round(rows / 3),
        sensor=str(rng.choice(family.sensors)),
        focal_35mm=float(rng.integers(26, 33)),
        pose=pose,
        develop=develop,
        model=f"Pocket {rng.integers(1, 9)}",
    )
