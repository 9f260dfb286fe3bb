"""What stands before the camera: specimens, card, ground, lamp. No camera and no pixel here."""

from dataclasses import dataclass, field
from typing import Literal

from phantoms.lights import Lamp, lamp
from polypward.records import Card

__all__ = ["Ground", "Lab", "Lighting", "Look", "Printed", "Scene", "SpecimenModel"]

Lab = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Colours (Lab D50) and pattern of living tissue."""

    main: Lab
    second: Lab
    mouth: Lab
    rim: Lab
    pattern: Literal["plain", "stripes", "mottled", "rings"] = "mottled"
    contrast: float = 0.6  # how strongly the second colour shows, 0..1
    translucent: float = 0.1  # how much skeleton shines through inflated flesh, 0..1
    glint: float = 0.5  # wetness: strength of reflections of the lamp
    warts_mm: float = 0.0  # height of warts on the flesh
    wart_size_mm: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenModel:
    """One specimen: its plan, size, colours and what it has lost.

    `bare` and `overgrown` are shares of the specimen's area; `paling` 0..1 moves the tissue's
    reflectance towards bare skeleton; `expansion` scales the area (1 = as drawn). `at_mm` is the
    centre in card mm, None = the middle of the window. The same `seed` is the same animal;
    `visit_seed` changes what differs from day to day.
    """

    plan: str
    radius_mm: float
    height_mm: float
    seed: int
    look: Look
    visit_seed: int = 0
    paling: float = 0.0
    patchy: float = 0.15
    bare: float = 0.0
    overgrown: float = 0.0
    loss: Literal["rim", "edge", "patches", "heads"] = "rim"
    loss_direction_deg: float = 0.0
    growth: str = "turf"  # a key of `phantoms.dress.GROWTH`
    growth_colours: tuple[Lab, Lab] | None = None  # instead of those of `growth`
    fuzz: float = 1.0  # how rough what grows on dead skeleton is; 1 = turf
    skeleton: Lab = (86.0, 0.5, 7.0)
    septa_mm: float = 0.12  # half height of the ridges on bare skeleton
    expansion: float = 1.0
    turn_deg: float = 0.0
    part: Literal["", "left", "right"] = ""  # what is left of the body after it was cut in two
    at_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """The card as it was printed; `error_de` is the RMS distance (CIE 1976) from nominal."""

    card: Card
    error_de: float = 3.0
    seed: int = 0
    paper: Lab = (95.0, 0.3, -1.5)
    black: Lab = (17.0, 0.5, 0.5)
    window_cut: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What lies around: kind of ground, plug under the specimen, seed."""

    kind: str = "tray"  # a key of `phantoms.grounds.GROUNDS`
    colour: Lab | None = None
    gaps: Lab | None = None  # colour of holes, gaps or stains
    plug: Lab | None = (62.0, 0.0, 3.0)
    plug_radius_mm: float = 14.0
    plug_growth: float = 0.0  # share of the plug under coralline algae
    glue: bool = False
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lighting:
    """The lamp, where it hangs, and how uneven it is over the card."""

    lamp: Lamp = field(default_factory=lambda: lamp("LED-B3"))
    azimuth_deg: float = 130.0
    elevation_deg: float = 60.0
    ambient: float = 0.55  # share of light that comes from all round
    gradient: float = 0.05  # change of light over 100 mm
    gradient_deg: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything in view, in millimetres of the card (x right, y down, z towards the camera)."""

    specimens: tuple[SpecimenModel, ...]
    printed: Printed | None
    ground: Ground = field(default_factory=Ground)
    lighting: Lighting = field(default_factory=Lighting)
    water_mm: float = 0.0  # depth of still water over the card plane; 0 = none between
    # Where the picture aims when there is no card, card mm.
    aim_mm: tuple[float, float] = (75.0, 75.0)
