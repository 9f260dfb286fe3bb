"""Photos of the card alone become calibrated lenses, kept by camera and lens in the ward."""

import json
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import Card
from polypward_cli.scan import Found, find_photos
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import digest
from polypward_cli.ward.ledger import audit, dumps, now_text

if TYPE_CHECKING:
    from polypward_vision.lens import CardView, Lens

__all__ = [
    "Calibrated",
    "calibrate_cameras",
    "camera_rows",
    "forget_camera",
    "lens_marks",
    "lenses",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """What came of a folder: lenses by name, why others failed, and photos not used."""

    lenses: dict[str, "Lens"]
    failed: dict[str, str]
    unused: tuple[tuple[str, str], ...]


def calibrate_cameras(
    ward: Ward, folder: Path, *, progress: Callable[[str, int, int], None], by: str = ""
) -> Calibrated:
    """Calibrate every lens of which a folder holds photos of the card, and keep what came of it.

    Raises
    ------
    BadInputError
        If the folder holds no picture, or no photo in it shows a card and names its camera.
    """
    from polypward_vision.lens import calibrate

    photos = find_photos(folder).photos
    if not photos:
        raise BadInputError(f"{folder}: no pictures in this folder")
    views: dict[str, list[CardView]] = defaultdict(list)
    exif: dict[str, float | None] = {}
    unused: list[tuple[str, str]] = []
    for number, found in enumerate(photos, start=1):
        told = _view(found, ward.cards())
        if isinstance(told, str):
            unused.append((found.photo, told))
        else:
            name, focal, view = told
            views[name].append(view)
            exif.setdefault(name, focal)
        progress("reading", number, len(photos))
    if not views:
        why = Counter(reason for _, reason in unused).most_common(1)[0][0]
        raise BadInputError(f"{folder}: no photo can be used; the commonest reason: {why}")
    good: dict[str, Lens] = {}
    failed: dict[str, str] = {}
    for name, group in sorted(views.items()):
        try:
            good[name] = calibrate(group, exif_35mm=exif[name])
        except BadInputError as error:
            failed[name] = str(error)
    with ward.db.atomic():
        for name, lens in good.items():
            _keep(ward, name, lens, by=by)
    return Calibrated(lenses=good, failed=failed, unused=tuple(unused))


def camera_rows(ward: Ward) -> list[dict[str, Any]]:
    """Return the calibrated lenses, by name."""
    return list(ward.db.query("select * from cameras order by camera"))


def lenses(ward: Ward) -> dict[str, tuple["Lens", ...]]:
    """Return the calibrated lenses by the camera's name in its photos."""
    rows = camera_rows(ward)
    if not rows:
        return {}
    from polypward_vision.lens import Lens

    found: dict[str, tuple[Lens, ...]] = {}
    for row in rows:
        kept = json.loads(row["lens"])
        camera = kept.pop("camera")
        found[camera] = (*found.get(camera, ()), Lens(**kept))
    return found


def lens_marks(ward: Ward) -> dict[str, str]:
    """Return a digest of a camera's lenses by the camera's name; readings stand on it."""
    texts: dict[str, list[str]] = {}
    for row in camera_rows(ward):
        texts.setdefault(json.loads(row["lens"])["camera"], []).append(row["lens"])
    return {camera: digest(each) for camera, each in texts.items()}


def forget_camera(ward: Ward, name: str, *, by: str = "") -> None:
    """Forget a calibrated lens; its photos go by what their own data say again.

    Raises
    ------
    BadInputError
        If there is none of that name.
    """
    rows = {row["camera"]: row for row in camera_rows(ward)}
    if name not in rows:
        known = ", ".join(rows) or "none"
        raise BadInputError(f'"{name}": no calibrated camera is called so; there are: {known}')
    with ward.db.atomic():
        ward.db.execute("delete from cameras where camera = ?", [name])
        audit(ward.db, "camera forgotten", name, old=rows[name], new={"by": by} if by else None)


def _view(found: Found, cards: Sequence[Card]) -> "tuple[str, float | None, CardView] | str":
    """Return a photo's lens by name, its EXIF focal length and the card's corners; or a fault."""
    from polypward_vision.find_card import find_card
    from polypward_vision.lens import CardView
    from polypward_vision.load import load_photo

    try:
        photo = load_photo(found.path)
        card = find_card(photo)
    except PhotoRejectedError as error:
        return error.code
    except OSError as error:
        return error.strerror or "cannot be read"
    if not photo.camera:
        return "the photo does not name its camera (copy the original)"
    own = [one.print_scale for one in cards if one.layout == card.layout]
    scale = np.array(own[0] if len(own) == 1 and own[0] is not None else (1.0, 1.0))
    corners = (card.corners_px + 0.5) * photo.scale - 0.5
    view = CardView(
        corners_px=corners, corners_mm=card.corners_mm * scale, full_size=photo.full_size
    )
    name = photo.camera
    if photo.focal_35mm is not None:
        name = f"{photo.camera}, {photo.focal_35mm:.0f} mm"
    # The camera's own name goes with the lens, so that photos find it.
    return name, photo.focal_35mm, view


def _keep(ward: Ward, name: str, lens: "Lens", *, by: str) -> None:
    camera = name if lens.exif_35mm is None else name.rsplit(",", 1)[0]
    row = {
        "focal_35mm": lens.focal_35mm,
        "lens": dumps(asdict(lens) | {"camera": camera}),
        "photos": lens.photos,
        "rms_px": lens.rms_px,
    }
    for old in list(ward.db.query("select * from cameras where camera = ?", [name])):
        if {key: old[key] for key in row} == row:
            return
        audit(ward.db, "camera calibrated again", name, old=old, new=row | {"by": by})
    ward.db.table("cameras").insert(
        {"camera": name, **row, "at": now_text()}, pk="camera", replace=True
    )
