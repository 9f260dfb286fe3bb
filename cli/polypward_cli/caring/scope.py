"""Whom an entry is about: places and specimens as a person names them."""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from polypward.errors import BadInputError
from polypward_cli.ward import Ward

__all__ = ["Scope", "check_here", "places_of", "scope_of"]


@dataclass(frozen=True, slots=True)
class Scope:
    """The places named, and every specimen meant, on those places or by name."""

    places: tuple[str, ...]
    specimens: tuple[str, ...]
    named: tuple[str, ...] = ()  # those of the specimens that were named one by one

    @property
    def words(self) -> str:
        """Return it in a few words: "rack 2 (14 specimens)", "LAM-03, LAM-04"."""
        count = len(self.specimens)
        if self.places:
            whom = ", ".join((*self.places, *self.named))
            return f"{whom} ({count} specimen{'' if count == 1 else 's'})"
        shown = ", ".join(self.specimens[:4])
        return shown if count <= 4 else f"{shown} and {count - 4} more"


def places_of(ward: Ward) -> dict[str, list[str]]:
    """Return the held specimens of every place by the place's name, both in order."""
    found: dict[str, list[str]] = {}
    for one in ward.specimens():
        if one.place and one.state == "held":
            found.setdefault(one.place, []).append(one.specimen)
    return dict(sorted(found.items()))


def scope_of(ward: Ward, where: Sequence[str], *, without: Sequence[str] = ()) -> Scope:
    """Return whom a person means by names of places and specimens, whatever their case.

    Parameters
    ----------
    ward : Ward
    where : sequence of str
        Names; a place stands for every specimen held on it.
    without : sequence of str
        Specimens of those places that are left out.

    Raises
    ------
    BadInputError
        If a name is neither a place nor a specimen, or is both; if a specimen has left; if
        nobody remains.
    """
    places = places_of(ward)
    place_names = {name.casefold(): name for name in places}
    specimens = {one.specimen.casefold(): one for one in ward.specimens()}
    meant_places: list[str] = []
    named: dict[str, None] = {}
    meant: dict[str, None] = {}
    for name in where:
        key = " ".join(name.split()).casefold()
        place, one = place_names.get(key), specimens.get(key)
        if place is not None and one is not None:
            raise BadInputError(f'"{name}" is a place and a specimen; rename one of them')
        if place is not None:
            meant_places.append(place)
            meant |= dict.fromkeys(places[place])
        elif one is None:
            near = difflib.get_close_matches(key, [*place_names, *specimens], n=1)
            hint = f' Is it "{near[0]}"?' if near else ""
            raise BadInputError(
                f'"{name}" is neither a specimen nor a place with specimens in this ward.{hint}'
            )
        elif one.state != "held":
            raise BadInputError(f'"{one.specimen}" is no longer here: {one.state} {one.left_on}')
        else:
            meant[one.specimen] = None
            named[one.specimen] = None
    for name in without:
        key = " ".join(name.split()).casefold()
        if key not in specimens or specimens[key].specimen not in meant:
            raise BadInputError(f'"{name}" is not among those named, so it cannot be left out')
        meant.pop(specimens[key].specimen, None)
    if not meant:
        raise BadInputError("nobody is left: name a place or at least one specimen")
    alone = tuple(name for name in named if name in meant)
    return Scope(tuple(dict.fromkeys(meant_places)), tuple(meant), alone)


def check_here(ward: Ward, scope: Scope, at: datetime) -> None:
    """Check that everybody had arrived by a time.

    Raises
    ------
    BadInputError
        If somebody arrived later.
    """
    day = at.astimezone(ward.settings.zone).date()
    late = [
        f"{one.specimen} ({one.arrived_on})"
        for one in ward.specimens()
        if one.specimen in scope.specimens and one.arrived_on is not None and one.arrived_on > day
    ]
    if late:
        raise BadInputError(
            f"not yet here on {day}: {', '.join(late)}. Leave them out by --not NAME, or correct "
            "the day"
        )
