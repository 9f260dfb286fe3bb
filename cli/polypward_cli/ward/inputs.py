"""What a reading stands on besides the pixels: when any of it changes, it is measured again."""

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from polypward.records import Card, PhotoSettings
from polypward_cli.labels.worn import marks_in_use
from polypward_cli.ward.ledger import dumps
from polypward_cli.ward.rows import residuals_of

if TYPE_CHECKING:
    from polypward_cli.ward.ward import Ward

__all__ = [
    "card_key",
    "digest",
    "photo_settings",
    "print_residuals",
    "publish_residuals",
    "settings_inputs",
]

# Notes of a reading whose card's serial was not read.
_GUESSED: Final = frozenset({"serial-assumed", "serial-unknown"})


def photo_settings(
    ward: "Ward", photo: Mapping[str, Any], *, specimen_height_mm: float | None
) -> PhotoSettings:
    """Return what is known of a photo: its manifest row, else the run's flags, register, ward.

    `photo` is a row of `photos`, whose `manifest` and `flags` keep what a person said of it.
    """
    manifest: dict[str, Any] = json.loads(photo["manifest"])
    flags: dict[str, Any] = json.loads(photo["flags"])
    said = flags | manifest
    ward_says = ward.settings
    height = said.get("height_mm", specimen_height_mm)
    outline = said.get("outline")
    return PhotoSettings(
        height_mm=ward_says.height_mm if height is None else height,
        water_mm=said.get("water_mm", ward_says.water_mm),
        lamp=said.get("lamp") or ward_says.lamp,
        mm_per_px=said.get("mm_per_px"),
        outline_mm=tuple((x, y) for x, y in outline) if outline else None,
        colour_model=ward_says.colour_model,
        tag_marks=marks_in_use(ward),
    )


def settings_inputs(settings: PhotoSettings, *, model: str) -> dict[str, Any]:
    """Return the inputs that are known before the photo is opened, as JSON values."""
    outline = settings.outline_mm
    return {
        "height_mm": settings.height_mm,
        "water_mm": settings.water_mm,
        "lamp": settings.lamp,
        "mm_per_px": settings.mm_per_px,
        "outline": None if outline is None else digest([list(point) for point in outline]),
        "colour_model": settings.colour_model,
        "model": model,
    }


def card_key(row: Mapping[str, Any], cards: Sequence[Card]) -> str:
    """Return a digest of the ward's cards that bear on a reading; "" if none does.

    A reading whose serial was not read depends on every card of its layout.
    """
    if not row["card"]:
        return ""
    guessed = not row["card_serial"] or _GUESSED & set(json.loads(row["notes"]))
    mine = [
        card
        for card in cards
        if card.serial == row["card_serial"] or (guessed and card.layout == row["card"])
    ]
    return digest([repr(card) for card in mine]) if mine else ""


def digest(value: Any) -> str:
    """Return a short digest of JSON values."""
    return hashlib.sha256(dumps(value).encode()).hexdigest()[:16]


def print_residuals(ward: "Ward") -> dict[str, npt.NDArray[np.float64]]:
    """Return the mean residual of each patch by serial, (P, 3) Lab, as the last run left it.

    NaN where a patch was never read. A run never changes them while it goes on, so its readings
    do not depend on the order in which photos are measured.
    """
    rows = ward.db.query("select serial, residuals from print_residuals")
    return {
        row["serial"]: np.array(
            [
                [math.nan if v is None else v for v in patch]
                for patch in json.loads(row["residuals"])
            ]
        ).reshape(-1, 3)
        for row in rows
    }


def publish_residuals(ward: "Ward") -> None:
    """Compute the print residuals again from all readings, for the next run."""
    found: dict[str, list[npt.NDArray[np.float64]]] = {}
    for row in ward.db.query(
        "select card_serial, patch_residuals from readings "
        "where patch_residuals is not null and card_serial != '' and light_changed = 0 "
        "and measure_code = '' and colour_grade in ('measured', 'relative') order by key"
    ):
        found.setdefault(row["card_serial"], []).append(residuals_of(row["patch_residuals"]))
    with ward.db.atomic():
        ward.db.execute("delete from print_residuals")
        for serial, arrays in found.items():
            same = [array for array in arrays if array.shape == arrays[-1].shape]
            stack = np.stack(same)
            known = np.isfinite(stack).all(axis=2, keepdims=True)
            count = known.sum(axis=0)
            mean = np.where(known, stack, 0).sum(axis=0) / np.maximum(count, 1)
            values = [
                [round(float(v), 6) for v in patch] if seen else [None] * 3
                for patch, seen in zip(mean, count[:, 0], strict=True)
            ]
            ward.db.table("print_residuals").insert(
                {"serial": serial, "photos": len(same), "residuals": json.dumps(values)}
            )
