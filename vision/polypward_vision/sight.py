"""What the card tells of a photo, before the specimen is looked at."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from polypward.cards import scaled
from polypward.errors import PhotoRejectedError
from polypward.records import Card, PhotoSettings
from polypward_vision.codes import read_serial
from polypward_vision.colour.patches import PatchSamples, sample_patches
from polypward_vision.find_card import FoundCard, Grey, find_card
from polypward_vision.photo import DecodedPhoto
from polypward_vision.pose import Pose, area_mm2_per_px, find_pose
from polypward_vision.quality import check_card

__all__ = ["Sight", "find", "look_at_card"]

# A decoded pixel may cover this much of the card, mm; else the photo is decoded in full.
COARSEST_DECODED_MM = 0.34


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """A photo with its card: true lengths, pose, patches, and what is to be noted."""

    photo: DecodedPhoto
    grey: Grey
    found: FoundCard
    card: Card  # true millimetres
    pose: Pose
    samples: PatchSamples
    print_scale_known: bool
    notes: tuple[str, ...]


def find(photo: DecodedPhoto) -> tuple[FoundCard, DecodedPhoto]:
    """Find the card; decode the photo in full where its card is too small for less.

    Raises
    ------
    PhotoRejectedError
        As `polypward_vision.find_card.find_card`.
    """
    try:
        found = find_card(photo)
        side_px = np.linalg.norm(found.corners_px[0] - found.corners_px[1])
        side_mm = np.linalg.norm(found.corners_mm[0] - found.corners_mm[1])
        if photo.finer is None or side_mm / side_px <= COARSEST_DECODED_MM:
            return found, photo
    except PhotoRejectedError as error:
        if photo.finer is None or error.code == "two-cards":
            raise
    assert photo.finer is not None
    whole = photo.finer()
    return find_card(whole), whole


def look_at_card(
    photo: DecodedPhoto, found: FoundCard, settings: PhotoSettings, cards: Sequence[Card]
) -> Sight:
    """Tell the pose, whose card it is, its patches, and whether the photo is good enough.

    Raises
    ------
    PhotoRejectedError
        As `polypward_vision.quality.check_card`.
    """
    grey = found.grey
    focal = settings.focal_35mm or photo.focal_35mm
    nominal = _pose(photo, found, found.corners_mm, settings, focal)
    serial = read_serial(grey, layout=found.layout, to_px=nominal.to_px)
    card, notes = _whose(found, serial, cards)
    print_scale_known = card.print_scale is not None
    true_card, pose = scaled(card), nominal
    if card.print_scale is not None:
        pose = _pose(photo, found, found.corners_mm * np.array(card.print_scale), settings, focal)
    else:
        notes = (*notes, "no-print-scale")
    if pose.camera_mm is None:
        notes = (*notes, "no-focal")
    samples = sample_patches(photo, true_card, pose.to_px)
    middle = (true_card.size_mm[0] / 2, true_card.size_mm[1] / 2)
    mm_per_px = float(np.sqrt(area_mm2_per_px(pose.to_px, [middle])[0])) / photo.scale
    notes += check_card(photo, grey, found, pose, samples, mm_per_px=mm_per_px)
    return Sight(
        photo=photo,
        grey=grey,
        found=found,
        card=true_card,
        pose=pose,
        samples=samples,
        print_scale_known=print_scale_known,
        notes=notes,
    )


def _pose(
    photo: DecodedPhoto,
    found: FoundCard,
    corners_mm: npt.NDArray[np.float64],
    settings: PhotoSettings,
    focal: float | None,
) -> Pose:
    return find_pose(
        found.corners_px,
        corners_mm,
        shape=photo.rgb.shape[:2],
        scale=photo.scale,
        focal_35mm=focal,
        water_mm=settings.water_mm,
    )


def _whose(
    found: FoundCard, serial: str | None, cards: Sequence[Card]
) -> tuple[Card, tuple[str, ...]]:
    """Card in view: the ward's own by its serial or as the only one, else the nominal layout."""
    own = [card for card in cards if card.layout == found.layout]
    if serial is not None:
        by_serial = [card for card in own if card.serial == serial]
        return (by_serial[0] if by_serial else replace(found.card, serial=serial)), ()
    if len(own) == 1:
        return own[0], ("serial-assumed",)
    return found.card, ("serial-unknown",)
