"""Cut-outs and tissue maps as the ward keeps them: arrays and frames of a row of `readings`."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward_cli.files import is_own
from polypward_cli.small import small_of
from polypward_cli.ward import Ward

if TYPE_CHECKING:
    from polypward_vision.tile import TileFrame

__all__ = ["forget_files", "frame_of", "labels_of", "light_of", "tile_of"]


def tile_of(ward: Ward, row: Mapping[str, Any]) -> Any:
    """Return the cut-out of a reading in the photo's own values, uint8 (rows, cols, 3).

    Raises
    ------
    BadInputError
        If its file is gone or damaged.
    """
    return _pixels(ward, row["tile"], "JPEG", mode="RGB", what="cut-out")


def labels_of(ward: Ward, row: Mapping[str, Any]) -> Any:
    """Return the tissue map of a reading, uint8 (rows, cols).

    Raises
    ------
    BadInputError
        If its file is gone or damaged.
    """
    return _pixels(ward, row["mask"], "PNG", mode="L", what="map")


def frame_of(row: Mapping[str, Any], shape: tuple[int, ...]) -> "TileFrame":
    """Return the frame of a reading's cut-out of shape (rows, cols[, 3])."""
    from polypward_vision.tile import TileFrame

    return TileFrame(
        x_mm=row["tile_x_mm"],
        y_mm=row["tile_y_mm"],
        rows=shape[0],
        cols=shape[1],
        mm_per_px=row["tile_mm_per_px"],
    )


def light_of(ward: Ward, row: Mapping[str, Any]) -> "tuple[Any, TileFrame]":
    """Return the corrected lightness of a reading's cut-out, uint8 (rows, cols), and its frame.

    Raises
    ------
    BadInputError
        If its file is gone or damaged, or its correction, mended by hand, is none.
    """
    from polypward_vision.colour.apply import Correction
    from polypward_vision.registration import lightness

    tile = tile_of(ward, row)
    frame = frame_of(row, tile.shape)
    correction = Correction.from_json(json.loads(row["correction"]))
    lab = correction.to_lab(tile, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px)
    return lightness(lab), frame


def forget_files(ward: Path, old: Mapping[str, Any], new: Mapping[str, Any]) -> None:
    """Delete a reading's cut-out, map and small picture that are not those of its new row."""
    was, now = ((one.get("tile", ""), one.get("mask", "")) for one in (old, new))
    gone = {name for name in was if name and name not in now and is_own(name)}
    if gone:
        gone |= {small_of(*was)} - {small_of(*now)}
    for name in gone:
        (ward / name).unlink(missing_ok=True)


def _pixels(ward: Ward, file: str, form: str, *, mode: str, what: str) -> Any:
    import numpy as np
    from PIL import Image

    try:
        with Image.open(ward.path / file, formats=(form,)) as image:
            return np.asarray(image.convert(mode))
    except OSError as error:
        raise BadInputError(
            f"{ward.path / file}: the {what} is gone or damaged; score its folder again"
        ) from error
