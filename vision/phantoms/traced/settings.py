"""What traced tiles may choose from: one set to train on, one that is only measured on.

The two share no body plan, lamp or sensor; held-out colours and growths are a list, training ones
come from anywhere. The held-out ground "grid" is built like the training ground "crate", in other
colours.
"""

from dataclasses import dataclass

import numpy as np

from phantoms.lights import Lamp, lamp, reef
from phantoms.scene import Lab

__all__ = ["HELD_OUT", "TRAIN", "Growth", "Settings", "any_colour", "any_growth"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What covers old skeleton: two colours, how high it stands (mm), the size of its tufts."""

    first: Lab
    second: Lab
    fuzz_mm: float
    tuft_mm: float
    bury: float  # how far it hides the septa, 0..1


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Choices of one set; without `colours` and `growths` they come from anywhere."""

    name: str
    plans: tuple[str, ...]
    colours: tuple[Lab, ...]
    growths: tuple[Growth, ...]
    grounds: tuple[str, ...]
    lamps: tuple[Lamp, ...]
    sensors: tuple[str, str, str]
    contrast: tuple[float, float]  # of the phone's tone curve
    seed: int


TRAIN = Settings(
    name="train",
    plans=("cushion", "knots", "maze", "ruffle", "anemone", "crust", "stalks"),
    colours=(),
    growths=(),
    grounds=("tray", "sand", "rack", "board", "rubble", "crate"),
    lamps=(lamp("LED-B4"), lamp("LED-B2"), lamp("D55"), lamp("D65"), reef(0.2, white="LED-B4")),
    sensors=("phone-a", "phone-b", "phone-c"),
    contrast=(0.0, 0.5),
    seed=0,
)
HELD_OUT = Settings(
    name="held-out",
    plans=("bladders", "fans", "wheel", "star", "comb"),
    colours=(
        (52, 7, 30), (44, -24, 24), (57, 36, 44), (33, 30, 10), (57, 20, -24), (60, -10, -10),
        (82, 1, 12), (36, 9, 20), (62, -24, 44), (58, 32, 12), (72, -34, 20), (88, 0, 6),
    ),
    growths=(
        Growth(first=(44, -18, 30), second=(34, -12, 24), fuzz_mm=0.7, tuft_mm=1.6, bury=0.9),
        Growth(first=(37, 19, 8), second=(29, 13, 8), fuzz_mm=0.12, tuft_mm=4.0, bury=0.7),
        Growth(first=(50, 3, 18), second=(40, 0, 19), fuzz_mm=0.05, tuft_mm=7.0, bury=0.2),
        Growth(first=(61, 24, 0), second=(51, 27, -3), fuzz_mm=0.25, tuft_mm=2.2, bury=0.6),
    ),
    grounds=("grid", "tile"),
    lamps=(lamp("LED-B3"), lamp("LED-B5"), lamp("D50"), lamp("D75"), reef(0.25, white="LED-B5")),
    sensors=("Nikon 5100 (NPL)", "phone-d", "phone-e"),
    contrast=(0.2, 0.8),
    seed=1_000_003,
)  # fmt: skip


def any_colour(rng: np.random.Generator) -> Lab:
    """Give a tissue colour from anywhere, a sixth of them pale or nearly white."""
    kind = rng.random()
    hue = rng.uniform(0, 2 * np.pi)
    if kind < 0.17:
        lightness, chroma = rng.uniform(74, 93), rng.uniform(0, 16)
    elif kind < 0.5:  # browns, olives, greens: what there is most of
        lightness, chroma, hue = rng.uniform(24, 62), rng.uniform(8, 42), rng.uniform(0.6, 2.5)
    else:
        lightness, chroma = rng.uniform(22, 80), rng.uniform(4, 58)
    chroma *= min(1.0, (100 - lightness) / 40)
    return (float(lightness), float(chroma * np.cos(hue)), float(chroma * np.sin(hue)))


def any_growth(rng: np.random.Generator) -> Growth:
    """Give turf, crusts, films, slime or hair of any likely colour."""
    kind = rng.choice(["turf", "crust", "film", "hair", "dark"], p=[0.3, 0.25, 0.2, 0.15, 0.1])
    low, high, chroma, hue = {
        "turf": (20, 52, (6, 34), (70, 150)),
        "crust": (34, 70, (8, 36), (-55, 35)),
        "film": (32, 70, (4, 30), (40, 120)),
        "hair": (24, 55, (8, 40), (85, 150)),
        "dark": (10, 32, (1, 18), (0, 360)),
    }[str(kind)]
    if rng.random() < 0.2:
        hue = (0, 360)
    angle, strength = np.radians(rng.uniform(*hue)), rng.uniform(*chroma)
    first = np.array([rng.uniform(low, high), strength * np.cos(angle), strength * np.sin(angle)])
    second = first + rng.normal(0, [8, 7, 7])
    fuzz, tuft, bury = {
        "turf": (rng.uniform(0.2, 0.6), rng.uniform(0.8, 3), 0.8),
        "crust": (rng.uniform(0.05, 0.35), rng.uniform(1.5, 6), 0.6),
        "film": (rng.uniform(0, 0.08), rng.uniform(3, 10), 0.2),
        "hair": (rng.uniform(0.4, 1.1), rng.uniform(1, 3), 1.0),
        "dark": (rng.uniform(0.05, 0.5), rng.uniform(1, 8), 0.5),
    }[str(kind)]
    return Growth(
        first=_lab(first), second=_lab(second), fuzz_mm=fuzz, tuft_mm=tuft,
        bury=float(np.clip(bury * rng.uniform(0.5, 1.2), 0, 1)),
    )  # fmt: skip


def _lab(values: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> Lab:
    return (float(np.clip(values[0], 8, 92)), float(values[1]), float(values[2]))
