"""What a person says of a course: a new baseline, a flag that is known, the colour of a kind."""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import get_args

from polypward.course import score_specimen
from polypward.course.results import FlagName
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.life.common import named
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit

__all__ = ["acknowledge", "name_kind_colour", "start_baseline"]


def start_baseline(ward: Ward, name: str, *, reason: str, at: datetime, by: str) -> CareEvent:
    """Start a new baseline for all charts of a specimen: the first visit from `at` on begins it.

    Raises
    ------
    BadInputError
        If there is no such specimen, or no reason.
    """
    if not reason.strip():
        raise BadInputError('a new baseline needs a reason: --reason "cut back by a person"')
    event = CareEvent(
        specimen=named(ward, name).specimen,
        at=at,
        what="baseline",
        detail={"reason": reason.strip()},
        by=by,
    )
    ward.add_care(event)
    return event


def acknowledge(
    ward: Ward, name: str, *, flag: str, reason: str, at: datetime, by: str
) -> CareEvent:
    """Clear a flag of a specimen (all of them if `flag` is empty); further loss flags anew.

    Raises
    ------
    BadInputError
        If there is no such specimen or flag.
    """
    flags = get_args(FlagName)
    if flag and flag not in flags:
        raise BadInputError(f'"{flag}" is no flag; there are {", ".join(flags)}')
    detail = {"flag": flag, "reason": reason.strip()}
    event = CareEvent(
        specimen=named(ward, name).specimen,
        at=at,
        what="acknowledge",
        detail={key: value for key, value in detail.items() if value},
        by=by,
    )
    ward.add_care(event)
    return event


def name_kind_colour(
    ward: Ward, kind: str, specimens: Sequence[str], *, reason: str, at: datetime, by: str
) -> tuple[float, float, float]:
    """Take the colour of healthy specimens as the reference of their kind, CIELAB D50.

    The componentwise median of the specimens' own references. The one before goes into the audit.

    Raises
    ------
    BadInputError
        If no specimen of the ward is of that kind, one that is named is of another, or has no
        usable colour from three visits yet.
    """
    from statistics import median

    every = ward.specimens()
    kinds = {one.kind.casefold(): one.kind for one in every if one.kind}
    if kind.casefold() not in kinds:
        known = ", ".join(sorted(kinds.values())) or "none yet"
        raise BadInputError(f'no specimen of kind "{kind}" in this ward; there are: {known}')
    kind = kinds[kind.casefold()]
    settings = replace(ward.settings.course_settings(), kind_references={})
    labs = []
    names = []
    for name in specimens:
        one = named(ward, name)
        if one.kind != kind:
            raise BadInputError(f'"{one.specimen}" is of kind "{one.kind or "not told"}"')
        own = score_specimen(
            ward.readings(one.specimen),
            specimen=one,
            care=ward.care(one.specimen),
            pooled=None,
            settings=settings,
            today=ward.zone_today,
        ).reference
        if own.provisional or own.lab is None:
            raise BadInputError(
                f'"{one.specimen}" has no colour from three visits in one light yet; '
                "take another one, or wait until it has"
            )
        labs.append(own.lab)
        names.append(one.specimen)
    light, red, yellow = (float(median(channel)) for channel in zip(*labs, strict=True))
    row = {"L": light, "a": red, "b": yellow, "specimens": json.dumps(names)}
    row |= {"reason": reason.strip(), "by": by, "at": at.astimezone(UTC).isoformat()}
    with ward.db.atomic():
        for old in list(ward.db.query("select * from kind_colours where kind = ?", [kind])):
            audit(ward.db, "kind colour changed", kind, old=old, new=row)
        ward.db.table("kind_colours").insert({"kind": kind} | row, pk="kind", replace=True)
    return light, red, yellow
