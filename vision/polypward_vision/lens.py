"""A camera's own focal length and distortion, from photos of the card, and photos straightened.

The principal point is held at the picture's middle and pixels are square, as the pose takes them
to be, so that one calibration serves photos held upright and across and pictures of any size.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward_vision.photo import DecodedPhoto
from polypward_vision.pose import DIAGONAL_35MM

__all__ = ["FEWEST_PHOTOS", "CardView", "Lens", "calibrate", "straightened"]

Points = npt.NDArray[np.float64]

# Fewer photos fix a focal length by luck only; 10 to 20 are common practice, no source.
FEWEST_PHOTOS = 8
# A calibration is kept if its focal length is known to this share (one SD), and the corners lie as
# close as this to where they should, full-size pixels (more is a bent card or ripple).
MOST_FOCAL_SD, MOST_RMS_PX = 0.01, 1.5
# Level photos say nothing of the focal length and let the fit run away (simulated: ten photos at
# 0.5 degrees gave 7 to 42 mm for 25.4, at 10 degrees 25.3 to 25.5).
TILTED_DEG, TILTED_PHOTOS = 10.0, 4
# EXIF focal lengths that differ by less are the same lens of a phone, mm of 35 mm equivalent.
SAME_LENS_MM = 1.5
# Distortion that moves no pixel by more than this is left alone, full-size pixels.
LEAST_SHIFT_PX = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardView:
    """The corners (N, 2) of a card's markers in a photo (full-size pixels) and on the card (mm)."""

    corners_px: Points
    corners_mm: Points
    full_size: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A calibrated lens: focal length (35 mm equivalent by the diagonal) and radial distortion.

    `exif_35mm` is what its photos say of themselves, None where they say nothing; `k1` and `k2` are
    OpenCV's radial coefficients. `focal_sd` is one SD of the focal length as a share of it.
    """

    focal_35mm: float
    k1: float
    k2: float
    exif_35mm: float | None
    focal_sd: float
    rms_px: float
    photos: int

    def fits(self, photo: DecodedPhoto) -> bool:
        """Tell whether a photo of this camera was taken through this lens."""
        if self.exif_35mm is None or photo.focal_35mm is None:
            return self.exif_35mm == photo.focal_35mm
        return abs(self.exif_35mm - photo.focal_35mm) < SAME_LENS_MM


def calibrate(views: Sequence[CardView], *, exif_35mm: float | None) -> Lens:
    """Calibrate a lens from photos of the card (cv2.calibrateCamera; Zhang 2000).

    Parameters
    ----------
    views : sequence of CardView
        Photos of one size, upright or across, the card tilted in different directions.
    exif_35mm : float or None
        The focal length that the photos themselves name.

    Raises
    ------
    BadInputError
        If there are too few, of different sizes, too much alike to tell the focal length, or if the
        card was bent.
    """
    if len(views) < FEWEST_PHOTOS:
        raise BadInputError(
            f"{len(views)} photos show the card well; at least {FEWEST_PHOTOS} are needed, tilted "
            "by 20 to 30 degrees to all sides"
        )
    sizes = {tuple(sorted(view.full_size)) for view in views}
    if len(sizes) > 1:
        raise BadInputError("the photos have different sizes; take them all with one setting")
    # Photos held upright are laid across: the middle and the distortion stay where they are.
    rows, cols = sorted(views[0].full_size)
    mm, px = [], []
    for view in views:
        seen = view.corners_px
        if view.full_size[0] > view.full_size[1]:
            seen = np.column_stack([seen[:, 1], view.full_size[1] - 1 - seen[:, 0]])
        mm.append(np.column_stack([view.corners_mm, np.zeros(len(seen))]).astype(np.float32))
        px.append(seen.astype(np.float32)[:, None])
    diagonal = float(np.hypot(rows, cols))
    guess = (exif_35mm or 26.0) / DIAGONAL_35MM * diagonal
    camera = np.array([[guess, 0, (cols - 1) / 2], [0, guess, (rows - 1) / 2], [0, 0, 1.0]])
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K3
    )
    try:
        found: Any = cv2.calibrateCameraExtended(
            mm, px, (cols, rows), camera, np.zeros(5), flags=flags
        )
    except cv2.error as error:
        raise BadInputError(
            f"the photos cannot be brought together ({error.err}); take new ones, the card flat"
        ) from error
    rms, matrix, distortion, sds = float(found[0]), found[1], np.ravel(found[2]), found[5]
    focal = float(matrix[0, 0])
    sd = float(np.ravel(sds)[:2].max()) / focal  # of x or y: the other is tied to it
    if rms > MOST_RMS_PX:
        raise BadInputError(
            f"the card's corners miss by {rms:.1f} pixels, at most {MOST_RMS_PX}: lay the card "
            "flat, hold still, and take photos in air, not through water"
        )
    tilts = [float(np.degrees(np.arccos(abs(cv2.Rodrigues(turn)[0][2, 2])))) for turn in found[3]]
    tilted = sum(tilt >= TILTED_DEG for tilt in tilts)
    if not np.isfinite(focal) or sd > MOST_FOCAL_SD or tilted < TILTED_PHOTOS:
        raise BadInputError(
            f"{tilted} of {len(tilts)} photos are tilted by {TILTED_DEG:.0f} degrees or more: "
            "too few to fix the focal length. Tilt the phone by 20 to 30 degrees to all sides, the "
            "card filling the picture"
        )
    return Lens(
        focal_35mm=focal / diagonal * DIAGONAL_35MM,
        k1=float(distortion[0]),
        k2=float(distortion[1]),
        exif_35mm=exif_35mm,
        focal_sd=sd,
        rms_px=rms,
        photos=len(views),
    )


def straightened(photo: DecodedPhoto, lens: Lens | None) -> DecodedPhoto:
    """Take a lens's distortion out of a photo and give it the lens's focal length.

    A photo taken through another lens of the camera comes back as it is.
    """
    if lens is None or not lens.fits(photo):
        return photo
    rows, cols = photo.rgb.shape[:2]
    focal = lens.focal_35mm / DIAGONAL_35MM * float(np.hypot(rows, cols))
    middle = ((cols - 1) / 2, (rows - 1) / 2)
    finer = None if photo.finer is None else partial(_finer, photo.finer, lens)
    known = replace(photo, focal_35mm=lens.focal_35mm, finer=finer)
    reach = float(np.hypot(*middle)) / focal
    shift = abs(reach**3 * lens.k1 + reach**5 * lens.k2) * focal * photo.scale
    if shift < LEAST_SHIFT_PX:
        return known
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    straight: Any = cv2.undistort(photo.rgb, camera, np.array([lens.k1, lens.k2, 0, 0, 0.0]))
    return replace(known, rgb=straight)


def _finer(load: Any, lens: Lens) -> DecodedPhoto:
    return straightened(load(), lens)
