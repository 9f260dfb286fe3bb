"""What a drawing is made of: shapes in millimetres, y down, painted in order."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Box", "Cells", "Line", "Polygon", "Rgb", "Shape", "Text"]

Rgb = tuple[int, int, int]  # 8-bit sRGB
Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A filled upright rectangle."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    fill: Rgb
    patch: bool = False  # a colour that is measured: painted with a colour profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """A grid of square modules, True = filled; painted as one path, so that no seams show."""

    x_mm: float
    y_mm: float
    module_mm: float
    rows: tuple[tuple[bool, ...], ...]
    fill: Rgb


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight stroke."""

    start_mm: Point
    end_mm: Point
    width_mm: float
    colour: Rgb


@dataclass(frozen=True, slots=True, kw_only=True)
class Polygon:
    """A filled polygon."""

    points_mm: tuple[Point, ...]
    fill: Rgb


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """One line of text; `at_mm` is its start, middle or end on the baseline.

    `turned` runs the line from bottom to top.
    """

    at_mm: Point
    text: str
    size_mm: float  # of the type (em), about 1.4 times the height of a capital
    colour: Rgb
    align: Literal["start", "middle", "end"] = "start"
    turned: bool = False


Shape = Box | Cells | Line | Polygon | Text
