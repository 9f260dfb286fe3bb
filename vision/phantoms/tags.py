"""Rendered tags of 15 mm on a plate: clean, wet, overgrown in part, tilted under a phone."""

from typing import Final, Literal

import cv2
import numpy as np
import numpy.typing as npt
import segno

from polypward.tags import LAST_TAG
from polypward_vision.codes import read_tags
from polypward_vision.tag_marks import find_tag_marks

__all__ = ["FINE", "fouled", "mark", "plate", "seen", "share_read", "square_code", "wet"]

Reader = Literal["ours", "bits", "code"]
FINE: Final = 20  # pixels a millimetre of the plate that is drawn
MARK: Final = 15 * FINE
DICTIONARY: Final = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
Picture = npt.NDArray[np.float32]


def mark(number: int) -> npt.NDArray[np.uint8]:
    """Return the marker with a white rim of one module: 10 x 10 modules on 15 mm."""
    return np.pad(cv2.aruco.generateImageMarker(DICTIONARY, number, 8), 1, constant_values=255)


def square_code(number: int) -> npt.NDArray[np.uint8]:
    """Return the smallest QR code at its strongest correction, with a rim of 2 modules."""
    code = segno.make_qr(f"PWTAG T{number}", error="h", boost_error=False)
    dark = np.array([list(row) for row in code.matrix]) > 0
    return np.pad(np.where(dark, 0, 255).astype(np.uint8), 2, constant_values=255)


def plate(modules: npt.NDArray[np.uint8]) -> Picture:
    """Return a white plate of 27 x 17 mm with a mark of 15 mm at its left."""
    drawn = np.full((17 * FINE, 27 * FINE), 240, np.float32)
    big = cv2.resize(modules, (MARK, MARK), interpolation=cv2.INTER_NEAREST)
    drawn[FINE : FINE + MARK, FINE : FINE + MARK] = np.where(big > 127, 240, 20)
    return drawn


def fouled(drawn: Picture, rng: np.random.Generator, share: float) -> Picture:
    """Let opaque spots of 0.6 to 3.6 mm hide `share` of the mark's area, to 2 parts in 100."""
    rows, cols = np.mgrid[: drawn.shape[0], : drawn.shape[1]]
    box = (slice(FINE, FINE + MARK), slice(FINE, FINE + MARK))
    hidden, drawn = np.zeros(drawn.shape, bool), drawn.copy()
    while hidden[box].mean() < share:
        radius, long = rng.uniform(0.3, 1.8) * FINE, rng.uniform(0.6, 1.6)
        x, y = rng.uniform(FINE, FINE + MARK, 2)
        spot = ((cols - x) / long) ** 2 + ((rows - y) * long) ** 2 < radius**2
        if (hidden | spot)[box].mean() <= share + 0.02:
            drawn[spot] = rng.uniform(40, 150)
            hidden |= spot
    return drawn


def wet(drawn: Picture, rng: np.random.Generator) -> Picture:
    """Lay two to four glints on it, burnt out in their middles."""
    rows, cols = np.mgrid[: drawn.shape[0], : drawn.shape[1]]
    for _ in range(rng.integers(2, 5)):
        x, y = rng.uniform(FINE, FINE + MARK, 2)
        size, long = rng.uniform(0.5, 1.5) * FINE, rng.uniform(0.4, 2.2)
        off = ((cols - x) / long) ** 2 + ((rows - y) * long) ** 2
        drawn = drawn + rng.uniform(120, 300) * np.exp(-off / (2 * size**2))
    return np.minimum(drawn, 255).astype(np.float32)


def seen(
    drawn: Picture, rng: np.random.Generator, *, px_per_mm: float = 6.0
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return a photo of it from 400 mm, tilted by up to 20 degrees, blurred, noisy, unevenly lit.

    Returns the photo, the homography of the plane's mm to its pixels, and the corners (4, 2) of
    the black square in mm.
    """
    turn, way, tilt = (*rng.uniform(0, 2 * np.pi, 2), np.deg2rad(rng.uniform(0, 20)))

    def about_z(angle: float) -> npt.NDArray[np.float64]:
        c, s = np.cos(angle), np.sin(angle)
        return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])

    c, s = np.cos(tilt), np.sin(tilt)
    pose = about_z(way) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ about_z(-way)
    size = int(40 * px_per_mm)
    plane = np.array([[*pose[0, :2], 0], [*pose[1, :2], 0], [*(-pose[2, :2] / 400), 1]])
    to_px = np.array([[px_per_mm, 0, size / 2], [0, px_per_mm, size / 2], [0, 0, 1]]) @ plane
    rows, cols = drawn.shape
    on_plane = about_z(turn) @ np.array(
        [[1 / FINE, 0, -cols / FINE / 2], [0, 1 / FINE, -rows / FINE / 2], [0, 0, 1]]
    )
    more = 4
    photo = cv2.warpPerspective(
        drawn,
        np.diag([more, more, 1.0]) @ to_px @ on_plane,
        (size * more, size * more),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float(rng.uniform(60, 130)),
    )
    photo = cv2.resize(photo, (size, size), interpolation=cv2.INTER_AREA)
    photo = cv2.GaussianBlur(photo, (0, 0), 0.8)
    photo = photo * (1 + rng.uniform(-0.25, 0.25) * np.linspace(-1, 1, size, dtype=np.float32))
    photo = photo * rng.uniform(0.6, 0.95) + rng.normal(0, 3, photo.shape)
    ends = np.array([(2.5, 2.5), (14.5, 2.5), (14.5, 14.5), (2.5, 14.5)]) * FINE
    corners = cv2.perspectiveTransform(ends[None].astype(np.float64), on_plane)[0]
    return np.clip(photo, 0, 255).astype(np.uint8), to_px, corners


def share_read(reader: Reader, *, foul: float, glints: bool, count: int, seed: int = 15) -> float:
    """Return the share of rendered tags that a reader tells right.

    Parameters
    ----------
    reader : {"ours", "bits", "code"}
        The mark as polypward reads it, the same mark read bit by bit by OpenCV's detector, or a
        square code.
    foul : float
        Share of the mark's area that opaque spots hide.
    glints : bool
        Whether it is wet.
    count : int
        Number of tags.

    Raises
    ------
    ValueError
        If polypward takes a mark for another: no share of that is good enough.
    """
    rng = np.random.default_rng(seed)
    detector = cv2.aruco.ArucoDetector(DICTIONARY)
    right = 0
    for _ in range(count):
        number = int(rng.integers(1, LAST_TAG + 1))
        drawn = plate(square_code(number) if reader == "code" else mark(number))
        drawn = fouled(drawn, rng, foul) if foul else drawn
        photo, to_px, _ = seen(wet(drawn, rng) if glints else drawn, rng)
        if reader == "code":
            found = [int(name[1:]) for name in read_tags(photo, to_px)]
        elif reader == "bits":
            ids = detector.detectMarkers(photo)[1]
            found = [] if ids is None else [int(one) for one in ids.ravel()]
        else:
            found = [one.id for one in find_tag_marks(photo, to_px, ids=range(1, LAST_TAG + 1))]
        if reader == "ours" and found not in ([], [number]):
            raise ValueError(f"tag {number} was taken for {found}")
        right += found == [number]
    return right / count
