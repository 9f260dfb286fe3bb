"""The records that travel between the floors: frozen, typed, with units in their names.

A value that is not available is ``None``, never a number that stands for it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = [
    "Card",
    "CareEvent",
    "ColourGrade",
    "Marker",
    "Patch",
    "PhotoSettings",
    "Reading",
    "Specimen",
    "Status",
]

ColourGrade = Literal["measured", "relative", "refused"]
Status = Literal["accepted", "rejected"]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A square marker of the card.

    `corners_mm` are the outer edge of the black square, clockwise from the marker's own top left
    as ``cv2.aruco.generateImageMarker`` draws it, in card millimetres (x right, y down).
    """

    dictionary: str
    id: int
    corners_mm: tuple[Point, Point, Point, Point]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A colour patch of the card; `lab_d50` is CIELAB under D50, nominal or measured."""

    name: str
    centre_mm: Point
    size_mm: Point
    lab_d50: tuple[float, float, float]
    neutral: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A colour reference card, as card.json holds it: millimetres, origin top left, y down."""

    layout: str
    version: int
    serial: str
    size_mm: Point
    window_mm: tuple[float, float, float, float] | None
    markers: tuple[Marker, ...]
    patches: tuple[Patch, ...]
    values: Literal["nominal", "measured"] = "nominal"
    # True size of the print over its nominal size along x and y; None = never measured.
    print_scale: Point | None = None
    # Tip of the arrow of a strip, and its direction, card mm; None where the layout has none.
    arrow_mm: tuple[Point, Point] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoSettings:
    """What is known about a photo besides its pixels (flags, manifest, ward defaults).

    `focal_35mm` overrides the 35 mm equivalent focal length of the EXIF data. `mm_per_px` says
    that the photo is measured without a card. `outline_mm` is a person's outline of the specimen,
    an (N, 2) list of card millimetres. `tag_marks` are the marks of the tags in use
    (`polypward.tags`), which are looked for besides the names that square codes hold.
    """

    height_mm: float | None = None
    water_mm: float | None = None
    lamp: str = ""
    mm_per_px: float | None = None
    outline_mm: tuple[Point, ...] | None = None
    focal_35mm: float | None = None
    colour_model: Literal["linear", "root-polynomial"] = "linear"
    tag_marks: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one photo says about one specimen: a row of readings.csv and what the course needs.

    Areas are mm² in the specimen's plane when `height_mm` is set, else in the card plane.
    `*_sd` are one standard deviation. `reasons` are codes of `polypward.reasons.REASONS`: why a
    rejected photo was rejected, or notes on an accepted one. L, a, b are CIELAB D50 means over the
    live pixels. `live_palette` is a weighted palette of the live tissue, float32 of shape (K, 4):
    L, a, b and mm² of each bin, from which `pale_mm2` follows once the colour reference is known.
    """

    photo: str
    sha256: str
    specimen: str = ""
    taken_at: datetime | None = None  # aware
    status: Status = "accepted"
    reasons: tuple[str, ...] = ()
    card: str = ""
    card_serial: str = ""
    mm_per_px: float | None = None
    tilt_deg: float | None = None
    camera_mm: float | None = None
    height_mm: float | None = None
    lamp: str = ""
    colour_grade: ColourGrade | None = None
    de00_mean: float | None = None
    de00_max: float | None = None
    live_mm2: float | None = None
    live_mm2_sd: float | None = None
    pale_mm2: float | None = None
    bare_mm2: float | None = None
    overgrown_mm2: float | None = None
    live_cover: float | None = None
    live_cover_sd: float | None = None
    L: float | None = None
    a: float | None = None
    b: float | None = None
    paling: float | None = None
    paling_sd: float | None = None
    tile_x_mm: float | None = None
    tile_y_mm: float | None = None
    tile_mm_per_px: float | None = None
    tile: str = ""
    mask: str = ""
    view: str = ""  # "top", "side" or ""
    open: str = ""  # "out", "half", "in" or ""
    expansion: float | None = None
    unsure: float | None = None
    photographer: str = ""
    # Kept in ward.db, not in readings.csv.
    lab_sd: float | None = None  # SD of the mean live colour from the left-out error, Lab units
    bare_lab: tuple[float, float, float] | None = None  # mean Lab of bare skeleton where it shows
    perimeter_mm: float | None = None
    live_palette: npt.NDArray[np.float32] | None = None
    detail: str = ""  # the sentence behind a rejection, with its figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """A registered specimen; a ward may also hold specimens known only from their photos."""

    specimen: str
    batch: str = ""
    supplier: str = ""
    kind: str = ""
    place: str = ""
    water_system: str = ""
    arrived_on: date | None = None
    cost: float | None = None
    expected_price: float | None = None
    as_is_price: float | None = None
    height_mm: float | None = None
    parent: str = ""
    state: str = "held"  # or one of polypward.life.STATES
    left_on: date | None = None
    registered: bool = True
    box: str = ""
    permit: str = ""  # number of the papers it came with; its children keep it
    light: str = ""
    unpacked_as: str = ""  # good, poor, dead or ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CareEvent:
    """Something done to or seen on a specimen: move, cut, split, dip, feeding, look, note ..."""

    specimen: str
    at: datetime  # aware
    what: str
    detail: Mapping[str, str] = field(default_factory=dict)
    by: str = ""
