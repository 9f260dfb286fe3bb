"""The card alone as a picture: 600 dpi, trimmed, every edge on its nearest pixel."""

from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from polypward.records import Card
from polypward_cli.card.artwork import card_shapes
from polypward_cli.card.profile import srgb_profile
from polypward_cli.card.shapes import Box, Cells, Line, Polygon, Rgb, Shape, Text

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

__all__ = ["CARD_DPI", "card_png", "paint_card"]

CARD_DPI = 600
_PX_PER_MM = CARD_DPI / 25.4


def card_png(card: Card) -> bytes:
    """Give card.png: the card as an 8-bit sRGB PNG with its resolution and profile.

    Parameters
    ----------
    card : Card
        A layout with its serial set.

    Raises
    ------
    CardError
        If the card cannot be drawn.
    """
    from PIL import Image

    buffer = BytesIO()
    Image.fromarray(paint_card(card)).save(
        buffer, "PNG", dpi=(CARD_DPI, CARD_DPI), icc_profile=srgb_profile(), optimize=True
    )
    return buffer.getvalue()


def paint_card(card: Card) -> npt.NDArray[np.uint8]:
    """Paint a card at 600 dpi.

    Returns
    -------
    uint8 array of shape (rows, cols, 3)
        sRGB; card millimetre x is at pixel edge ``x * 600 / 25.4``, and every painted edge lies
        on the pixel edge nearest to it.
    """
    from PIL import Image, ImageDraw

    columns, rows = (round(length * _PX_PER_MM) for length in card.size_mm)
    image = Image.new("RGB", (columns, rows), "white")
    draw = ImageDraw.Draw(image)
    for shape in card_shapes(card):
        _paint(image, draw, shape)
    return np.asarray(image)


def _px(length_mm: float) -> int:
    return round(length_mm * _PX_PER_MM)


def _paint(image: "Image.Image", draw: "ImageDraw.ImageDraw", shape: Shape) -> None:
    match shape:
        case Box():
            right, bottom = shape.x_mm + shape.width_mm, shape.y_mm + shape.height_mm
            _fill(draw, (shape.x_mm, shape.y_mm, right, bottom), shape.fill)
        case Cells():
            for row, cells in enumerate(shape.rows):
                for column, filled in enumerate(cells):
                    if filled:
                        left = shape.x_mm + column * shape.module_mm
                        top = shape.y_mm + row * shape.module_mm
                        box = (left, top, left + shape.module_mm, top + shape.module_mm)
                        _fill(draw, box, shape.fill)
        case Line():
            _smooth(image, [_outline(shape)], shape.colour)
        case Polygon():
            _smooth(image, [shape.points_mm], shape.fill)
        case Text():
            _write(image, shape)


def _fill(
    draw: "ImageDraw.ImageDraw", box_mm: tuple[float, float, float, float], fill: Rgb
) -> None:
    left, top, right, bottom = (_px(edge) for edge in box_mm)
    draw.rectangle((left, top, right - 1, bottom - 1), fill=fill)  # Pillow includes the ends


def _outline(line: Line) -> tuple[tuple[float, float], ...]:
    """Give the four corners of a stroke with square ends."""
    (x0, y0), (x1, y1) = line.start_mm, line.end_mm
    length = float(np.hypot(x1 - x0, y1 - y0))
    along_x, along_y = (line.width_mm / 2 * d / length for d in (x1 - x0, y1 - y0))
    return (
        (x0 - along_x - along_y, y0 - along_y + along_x),
        (x0 - along_x + along_y, y0 - along_y - along_x),
        (x1 + along_x + along_y, y1 + along_y - along_x),
        (x1 + along_x - along_y, y1 + along_y + along_x),
    )


def _smooth(
    image: "Image.Image", outlines: list[tuple[tuple[float, float], ...]], colour: Rgb
) -> None:
    """Fill polygons with smooth edges: four samples a pixel along each axis."""
    from PIL import Image, ImageDraw

    points = np.concatenate([np.array(outline) for outline in outlines]) * _PX_PER_MM
    left, top = np.floor(points.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(points.max(axis=0)).astype(int) + 1
    mask = Image.new("L", (4 * int(right - left), 4 * int(bottom - top)))
    draw = ImageDraw.Draw(mask)
    for outline in outlines:
        fine = (np.array(outline) * _PX_PER_MM - (left, top)) * 4 - 0.5
        draw.polygon([(float(x), float(y)) for x, y in fine], fill=255)
    image.paste(colour, (int(left), int(top)), mask.reduce(4))


def _write(image: "Image.Image", text: Text) -> None:
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(text.size_mm * _PX_PER_MM)
    width, height = round(font.getlength(text.text)) + 8, _px(2 * text.size_mm)
    mask = Image.new("L", (width, height))
    baseline = _px(1.5 * text.size_mm)
    ImageDraw.Draw(mask).text((4, baseline), text.text, fill=255, font=font, anchor="ls")
    start = 4 + (width - 8) * {"start": 0.0, "middle": 0.5, "end": 1.0}[text.align]
    x, y = (length * _PX_PER_MM for length in text.at_mm)
    if text.turned:
        mask = mask.transpose(Image.Transpose.ROTATE_90)
        corner = (x - baseline, y - (width - start))
    else:
        corner = (x - start, y - baseline)
    image.paste(text.colour, (round(corner[0]), round(corner[1])), mask)
