"""Photos that show an old and a new card give the new one its values, so that colour goes on."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from polypward.errors import BadInputError, PhotoRejectedError
from polypward.records import Card
from polypward_cli.scan import find_photos
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import print_residuals
from polypward_cli.ward.ledger import dumps, now_text

__all__ = ["FEWEST_PHOTOS", "Bridge", "bridge_cards"]

# One photo may be shaded, its light uneven: the median of a few is taken.
FEWEST_PHOTOS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """What came of it: the new card, how well photos agree (dE, CIE 1976), those not used."""

    card: Card
    photos: int
    spread_de: float
    unused: tuple[tuple[str, str], ...]


def bridge_cards(
    ward: Ward,
    folder: Path,
    *,
    known: str,
    new: Card,
    progress: Callable[[str, int, int], None],
    by: str = "",
) -> Bridge:
    """Read a new card by a known one in every photo of a folder; keep the median in the ward.

    Raises
    ------
    BadInputError
        If the known card is not in the ward, or fewer than `FEWEST_PHOTOS` photos show both.
    """
    from polypward_vision.load import load_photo
    from polypward_vision.two_cards import seen_by

    cards = {card.serial: card for card in ward.cards()}
    if known not in cards:
        told = ", ".join(sorted(cards)) or "none"
        raise BadInputError(
            f"{known}: no card kept in this ward ({told}); keep it first by polypward card check "
            "or polypward card measure"
        )
    if known == new.serial:
        raise BadInputError(f"{known}: the known and the new card must be two cards")
    old = cards[known]
    residuals = None if old.values == "measured" else print_residuals(ward).get(known)
    seen: list[Any] = []
    unused = []
    photos = find_photos(folder).photos
    for number, found in enumerate(photos, start=1):
        try:
            seen.append(
                seen_by(
                    load_photo(found.path),
                    old,
                    new_serial=new.serial,
                    new_layout=new.layout,
                    residuals=residuals,
                )
            )
        except PhotoRejectedError as error:
            unused.append((found.photo, f"{error.code}: {error.detail}"))
        except OSError as error:
            unused.append((found.photo, error.strerror or "cannot be read"))
        progress("reading", number, len(photos))
    if len(seen) < FEWEST_PHOTOS:
        why = "; ".join(f"{photo}: {what}" for photo, what in unused[:5])
        raise BadInputError(
            f"{folder}: {len(seen)} of {len(photos)} photos show the cards {known} and "
            f"{new.serial} well enough, {FEWEST_PHOTOS} are needed" + (f" ({why})" if why else "")
        )
    stack = np.stack(seen)
    told = np.isfinite(stack).all(axis=2).sum(axis=0) >= FEWEST_PHOTOS
    if not told.all():
        hidden = [patch.name for patch, ok in zip(new.patches, told, strict=True) if not ok]
        raise BadInputError(
            f"{folder}: these patches of {new.serial} are hidden, shaded or burnt out in nearly "
            f"every photo: {', '.join(hidden)}; photograph both cards again"
        )
    middle = np.nanmedian(stack, axis=0)
    spread = float(np.sqrt(np.nanmean(((stack - middle) ** 2).sum(axis=2))))
    patches = tuple(
        replace(patch, lab_d50=(round(float(L), 3), round(float(a), 3), round(float(b), 3)))
        for patch, (L, a, b) in zip(new.patches, middle, strict=True)
    )
    kept = cards.get(new.serial, new)
    card = replace(kept, patches=patches, values=old.values)
    ward.save_card(card)
    detail = {"known": known, "photos": len(seen), "spread_de": round(spread, 2)}
    with ward.db.atomic():
        ward.db.table("card_events").insert(
            {"serial": new.serial, "at": now_text(), "what": "bridged", "detail": dumps(detail),
             "by": by}
        )  # fmt: skip
    return Bridge(card=card, photos=len(seen), spread_de=spread, unused=tuple(unused))
