"""A tissue map as a picture to paint on, and a painted picture as a tissue map."""

import io
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.labels import BACKGROUND, BARE, LABEL_NAMES, LIVE, OVERGROWN

__all__ = ["COLOURS", "legend", "painted", "read_painted"]

Labels = npt.NDArray[np.uint8]

# Colours that people with any colour vision tell apart (Okabe & Ito 2008, Color Universal Design).
COLOURS: Final = {LIVE: (0, 114, 178), BARE: (240, 228, 66), OVERGROWN: (204, 121, 167)}
NAMES: Final = {LIVE: "blue", BARE: "yellow", OVERGROWN: "purple"}
# Grounds that a paint program fills in where it keeps no transparency.
_GROUNDS: Final = ((255, 255, 255), (0, 0, 0))
# A brush's soft edge mixes colours: so far from a colour in RGB a pixel still counts as it.
SOFT: Final = 60.0
# Share of the painted pixels that may lie between the colours, as soft edges do.
MIXED: Final = 0.10
MAX_BYTES: Final = 50_000_000
MAX_SIDE: Final = 8000


def legend() -> str:
    """Return a line that says which colour means what."""
    parts = [
        f"{NAMES[label]} {_hex(colour)} = {LABEL_NAMES[label]}" for label, colour in COLOURS.items()
    ]
    return "; ".join([*parts, "nothing (erased, transparent) = not the specimen"])


def _hex(colour: tuple[int, int, int]) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def painted(labels: Labels) -> bytes:
    """Return a PNG (red, green, blue, alpha) of a map; the background is transparent."""
    from PIL import Image

    pixels = np.zeros((*labels.shape, 4), np.uint8)
    for label, colour in COLOURS.items():
        pixels[labels == label] = (*colour, 255)
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()


def read_painted(path: Path, *, shape: tuple[int, int]) -> Labels:
    """Read a painted map back.

    Parameters
    ----------
    path : Path
        A PNG: painted in the colours of `COLOURS`, or a grey one that holds the labels 0 to 3.
    shape : (rows, cols)
        Of the cut-out.

    Returns
    -------
    uint8 array of shape (rows, cols)
        Labels of `polypward.labels`.

    Raises
    ------
    BadInputError
        If it is no PNG, damaged, of another size, or painted in other colours.
    """
    pixels = _pixels(path, shape)
    if pixels.ndim == 2:
        if pixels.max(initial=0) > OVERGROWN:
            raise BadInputError(
                f"{path}: a grey picture with values up to {pixels.max()}; a map holds 0 to 3, or "
                f"is painted in colours: {legend()}"
            )
        return np.asarray(pixels, np.uint8)
    return _labels(pixels, path)


def _pixels(path: Path, shape: tuple[int, int]) -> npt.NDArray[Any]:
    """Pixels (rows, cols) or (rows, cols, 4); nothing is decoded before its size is known."""
    from PIL import Image

    try:
        if path.stat().st_size > MAX_BYTES:
            raise BadInputError(f"{path}: too large for a map (over {MAX_BYTES // 10**6} MB)")
        data = path.read_bytes()
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror})") from error
    try:
        with Image.open(io.BytesIO(data), formats=("PNG",)) as image:
            cols, rows = image.size
            if (rows, cols) != shape:
                raise BadInputError(
                    f"{path}: {cols} x {rows} pixels, but its cut-out has {shape[1]} x {shape[0]}; "
                    "paint without scaling or cropping, and save in the same size"
                )
            if getattr(image, "n_frames", 1) > 1:
                raise BadInputError(f"{path}: a film of several pictures; save one picture")
            if image.mode in ("L", "1"):
                return np.asarray(image.convert("L"))
            if image.mode not in ("RGB", "RGBA", "P", "LA", "PA"):
                raise BadInputError(
                    f"{path}: a PNG of kind {image.mode}; save it as RGB with 8 bits a channel"
                )
            return np.asarray(image.convert("RGBA"))
    except BadInputError:
        raise
    except Exception as error:  # decoders raise almost anything on hostile bytes
        raise BadInputError(
            f"{path}: no readable PNG picture ({str(error)[:80] or type(error).__name__}); export "
            "the map again and save it as PNG"
        ) from error


def _labels(pixels: npt.NDArray[np.uint8], path: Path) -> Labels:
    """Label each pixel by the nearest colour; refuse pictures that are not painted in them."""
    rgb, alpha = pixels[..., :3].astype(np.float32), pixels[..., 3]
    known = [*COLOURS.values(), *_GROUNDS]
    of = np.array([*COLOURS, BACKGROUND, BACKGROUND], np.uint8)
    apart = np.stack(
        [np.sqrt(((rgb - np.array(colour, np.float32)) ** 2).sum(axis=2)) for colour in known]
    )
    labels = of[apart.argmin(axis=0)]
    shown = alpha >= 128
    strange = shown & (apart.min(axis=0) > SOFT)
    count = int(np.count_nonzero(strange))
    painted_px = int(np.count_nonzero(shown & ((labels != BACKGROUND) | strange)))
    if count > MIXED * max(painted_px, 1):
        row, col = (int(v[0]) for v in np.nonzero(strange))
        red, green, blue = (int(v) for v in pixels[row, col, :3])
        colour = _hex((red, green, blue))
        raise BadInputError(
            f"{path}: {count} pixels are in none of the map's colours (the first, "
            f"{colour}, {col} from the left and {row} from the top). Save "
            f"the map's layer alone, painted in these: {legend()}"
        )
    return np.where(shown, labels, np.uint8(BACKGROUND)).astype(np.uint8)
