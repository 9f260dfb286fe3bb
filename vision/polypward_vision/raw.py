"""A camera's raw file developed to linear light, by the optional extra `raw` (rawpy, LibRaw)."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.errors import PhotoRejectedError

__all__ = ["RAW_SUFFIXES", "RawPicture", "develop_raw"]

# File names' ends that say so; the contents of many such files are a kind of TIFF.
RAW_SUFFIXES = frozenset(
    (".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw")
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawPicture:
    """Upright linear pixels, uint16 (rows, cols, 3), in the primaries of sRGB, white balanced.

    `scale` is full-size pixels per pixel; `preview` the JPEG picture in the file, None without one.
    """

    rgb: npt.NDArray[np.uint16]
    scale: int
    preview: bytes | None


def develop_raw(stream: Any, *, most_px: float, half: bool) -> RawPicture:
    """Develop a raw file: the camera's white balance, no tone curve, no brightening.

    Parameters
    ----------
    stream : binary file
        The file's bytes.
    most_px : float
        A picture of more pixels is refused before it is developed.
    half : bool
        Make one pixel of each 2 x 2 of the sensor, where that leaves enough of them.

    Raises
    ------
    PhotoRejectedError
        ``needs-raw`` without the extra, ``too-large``, or ``unreadable``.
    """
    try:
        import rawpy
    except ImportError as error:
        raise PhotoRejectedError("needs-raw", "rawpy is not installed") from error
    try:
        with rawpy.imread(stream) as raw:
            if raw.sizes.iwidth * raw.sizes.iheight > most_px:
                raise PhotoRejectedError(
                    "too-large", f"{raw.sizes.iwidth * raw.sizes.iheight / 1e6:.0f} megapixels"
                )
            rgb = raw.postprocess(
                output_bps=16,
                gamma=(1, 1),
                no_auto_bright=True,
                use_camera_wb=True,
                output_color=rawpy.ColorSpace.sRGB,
                half_size=half,
            )
            preview = _preview(rawpy, raw)
    except (rawpy.LibRawError, ValueError) as error:
        raise PhotoRejectedError("unreadable", str(error)[:200]) from error
    return RawPicture(rgb=np.asarray(rgb, np.uint16), scale=2 if half else 1, preview=preview)


def _preview(rawpy: Any, raw: Any) -> bytes | None:
    try:
        thumb = raw.extract_thumb()
    except rawpy.LibRawError:  # none, or of a kind that LibRaw cannot give
        return None
    return bytes(thumb.data) if thumb.format == rawpy.ThumbFormat.JPEG else None
