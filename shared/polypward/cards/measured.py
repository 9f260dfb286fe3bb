"""Putting measured colours onto a card."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polypward.cards.cgats import Lab, Measurement
from polypward.cards.layouts import patch_colour
from polypward.errors import CardError
from polypward.records import Card

__all__ = ["with_measurements"]

# CIE76 from the nominal colour. Office printers are off by about 3 to 15; two colours of the card
# that were mixed up differ by more.
_FARTHEST = 30.0


def with_measurements(card: Card, measurements: Sequence[Measurement]) -> Card:
    """Give the card with measured colours in place of the nominal ones.

    A measurement belongs to the patch of its name (``"tan left"``), to every patch of its colour
    word (``"tan"``), or, if the names are just the numbers 1, 2, 3 ..., to the patch at that
    place in card.json. Repeated measurements are averaged in CIELAB.

    Parameters
    ----------
    card : Card
        A layout with its serial set.
    measurements : sequence of Measurement
        From `polypward.cards.read_measurements`.

    Returns
    -------
    Card
        With ``values="measured"``.

    Raises
    ------
    CardError
        Naming every patch without a measurement, every name that is no patch's (with its line),
        and every colour too far from its nominal one to be that patch (CIE76 over 30).
    """
    found = _by_name(card, measurements)
    faults: list[str] = []
    missing: list[str] = []
    patches = []
    for patch in card.patches:
        labs = found.get(_plain(patch.name)) or found.get(_plain(patch_colour(patch.name)))
        if not labs:
            missing.append(patch.name)
            continue
        lightness, a, b = np.mean(labs, axis=0).round(3).tolist()
        off = float(np.hypot.reduce(np.subtract((lightness, a, b), patch.lab_d50)))
        if off > _FARTHEST:
            faults.append(
                f"{patch.name} was measured as Lab {lightness:.0f} {a:.0f} {b:.0f}, {off:.0f} away "
                "from its printed colour: were the patches measured in another order?"
            )
        patches.append(replace(patch, lab_d50=(lightness, a, b)))
    if missing:
        faults.insert(0, "no measurement of: " + ", ".join(missing))
    if faults:
        raise CardError("The measurements do not fit the card. " + "; ".join(faults) + ".")
    return replace(card, patches=tuple(patches), values="measured")


def _plain(name: str) -> str:
    return " ".join(name.casefold().replace("_", " ").replace("-", " ").split())


def _by_name(card: Card, measurements: Sequence[Measurement]) -> dict[str, list[Lab]]:
    names = [_plain(patch.name) for patch in card.patches]
    if [one.name for one in measurements] == [str(n) for n in range(1, len(names) + 1)]:
        return {name: [one.lab_d50] for name, one in zip(names, measurements, strict=True)}
    known = {*names, *(_plain(patch_colour(patch.name)) for patch in card.patches)}
    found: dict[str, list[Lab]] = {}
    foreign = []
    for one in measurements:
        name = _plain(one.name)
        if name in known:
            found.setdefault(name, []).append(one.lab_d50)
        else:
            foreign.append(f"line {one.line}: {one.name!r}")
    if foreign:
        raise CardError(
            f"These names are no patches of the {card.layout} card: {'; '.join(foreign[:5])}"
            f"{' ...' if len(foreign) > 5 else ''}. Its patches are named in card.json."
        )
    return found
