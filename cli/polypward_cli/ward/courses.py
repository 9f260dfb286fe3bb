"""The courses of a ward: stored readings in, scores and filled readings out."""

import gc
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any, TypeVar

from polypward.life import inherited
from polypward.records import CareEvent, Reading, Specimen

if TYPE_CHECKING:
    from polypward.course import Course, CourseSettings, PooledSd, Stand
    from polypward_cli.ward.ward import Ward

__all__ = [
    "Sources",
    "collector_resting",
    "course_settings",
    "courses",
    "looks_dead",
    "own_card",
    "sources_of",
    "summary",
    "with_worth",
    "worth_teller",
]

_Of = TypeVar("_Of", Reading, CareEvent)
# Live cover up to which photos show no live tissue worth the name.
LOOKS_DEAD = 0.02


@dataclass(frozen=True, slots=True)
class Sources:
    """What courses are worked out from: specimens by name, stored readings and care by specimen.

    The care of a piece holds what it carries on from the specimen it was cut from. Photos of none
    are readings of "".
    """

    specimens: list[Specimen]
    readings: Mapping[str, list[Reading]]
    care: Mapping[str, list[CareEvent]]


def sources_of(
    ward: "Ward",
    names: Collection[str] | None = None,
    *,
    readings: Mapping[str, list[Reading]] | None = None,
) -> Sources:
    """Return what the courses of all specimens, or of those named, are worked out from.

    `readings` are those of the named ones, where they were read already.
    """
    with collector_resting():
        if names is None:
            specimens = ward.specimens()
            own, care = _by_specimen(ward.readings()), _by_specimen(ward.care())
            parents = {one.specimen: one.parent for one in specimens if one.parent}
            return Sources(specimens, own, inherited(parents, care))
        wanted = sorted(names)
        parents = _ancestry(ward, wanted)
        care = {name: ward.care(name) for name in {*wanted, *parents, *parents.values()}}
        known = (ward.specimen(name) for name in wanted)
        return Sources(
            [one for one in known if one is not None],
            {
                name: ward.readings(name) if readings is None else readings.get(name, [])
                for name in wanted
            },
            inherited(parents, care),
        )


def courses(
    ward: "Ward",
    *,
    today: date,
    sources: Sources | None = None,
    pooled: "PooledSd | None" = None,
) -> dict[str, "Course"]:
    """Return the course of every specimen of the ward, or of those in `sources`, by name.

    `pooled` is the ward's repeatability; without it, it is that of the sources.
    """
    from polypward.course import pool_sd, score_specimen
    from polypward_cli.card.history import bridges

    with collector_resting():
        known = sources or sources_of(ward)
        if pooled is None:
            named = (one for name, own in known.readings.items() if name for one in own)
            pooled = pool_sd(named, zone=ward.settings.zone)
        settings = course_settings(ward)
        roots = bridges(ward)
        return {
            one.specimen: score_specimen(
                _joined(known.readings.get(one.specimen, []), roots),
                specimen=one,
                care=known.care.get(one.specimen, ()),
                pooled=pooled,
                settings=settings,
                today=today,
            )
            for one in known.specimens
        }


def _ancestry(ward: "Ward", names: Sequence[str]) -> dict[str, str]:
    """Return the parent of each of these specimens that has one, of each of those, and so on."""
    every = {
        row["specimen"]: row["parent"]
        for row in ward.db.query("select specimen, parent from specimens where parent != ''")
    }
    found: dict[str, str] = {}
    for name in names:
        while name in every and name not in found:
            found[name] = every[name]
            name = every[name]
    return found


def _joined(readings: list[Reading], roots: Mapping[str, str]) -> list[Reading]:
    """Let colour go on from a card to the one that was bridged to it, as if it were the same."""
    return [
        replace(one, card_serial=roots[one.card_serial]) if one.card_serial in roots else one
        for one in readings
    ]


def own_card(filled: Reading, stored: Reading) -> Reading:
    """Give a filled reading the card that was in the photo again."""
    if filled.card_serial == stored.card_serial:
        return filled
    return replace(filled, card_serial=stored.card_serial)


def course_settings(ward: "Ward") -> "CourseSettings":
    """Return the settings of the courses, with the kinds' colours that a person named.

    A colour in ward.toml wins over one taken from specimens of the ward.
    """
    settings = ward.settings.course_settings()
    named = {
        row["kind"]: (row["L"], row["a"], row["b"])
        for row in ward.db.query("select * from kind_colours order by kind")
    }
    return replace(settings, kind_references={**named, **settings.kind_references})


def with_worth(ward: "Ward", found: dict[str, "Course"]) -> dict[str, "Course"]:
    """Tell beside the advice what a further week may bring, where enough cases have ended.

    `found` are the courses of all specimens of the ward.
    """
    tell = worth_teller(ward, found)
    return {name: tell(course) for name, course in found.items()}


def worth_teller(ward: "Ward", ended: Mapping[str, "Course"]) -> Callable[["Course"], "Course"]:
    """Return what tells beside a course's advice what a further week may bring it.

    `ended` are the courses of all that left the ward, or all of the kinds to be told of; others
    among them do not matter. With too few of them a course is returned as it is.
    """
    from polypward.course import LEAST_CASES, Case, prospect_of
    from polypward_cli.ward.money_settings import money_of

    specimens = {one.specimen: one for one in ward.specimens()}
    cases = [
        Case(
            kind=one.kind,
            sold=one.state == "sold",
            conditions=tuple(
                visit.condition for visit in ended[name].visits if visit.condition is not None
            ),
        )
        for name, one in specimens.items()
        if name in ended and one.kind and one.state in ("sold", "lost", "discarded")
    ]
    if len(cases) < LEAST_CASES:
        return lambda course: course
    day = money_of(ward.settings.money, path=ward.settings.path).rates.table_day

    def tell(course: "Course") -> "Course":
        one = specimens[course.specimen]
        if one.state != "held" or not course.advice.what:
            return course
        prospect = prospect_of(
            kind=one.kind,
            condition=course.score.condition,
            price=one.expected_price,
            week_cost=None if day is None else 7 * day,
            cases=cases,
        )
        if prospect is None:
            return course
        advice = replace(course.advice, worth=prospect.words())
        return replace(course, advice=advice, prospect=prospect)

    return tell


def summary(course: "Course | Stand", *, dead: bool) -> dict[str, Any]:
    """Return what `rounds` needs of a course, as plain JSON values.

    `dead` says whether it looks dead.
    """
    advice = course.advice
    return {
        "advice": advice.what,
        "reason": advice.reason,
        "next_photo_on": advice.next_photo_on.isoformat() if advice.next_photo_on else None,
        "looks_dead": dead,
        "last_seen": course.score.last_seen.isoformat() if course.score.last_seen else None,
        "quarantine": course.facts.get("quarantine_done") == "no",
        "treated": course.facts.get("open_treatment") == "yes",
        "flags": [
            {
                "name": flag.name,
                "evidence": flag.evidence,
                "urgent": flag.urgent,
                "raised_on": flag.raised_on.isoformat(),
            }
            for flag in course.flags
            if flag.standing
        ],
    }


@contextmanager
def collector_resting() -> Iterator[None]:
    """Hold the search for reference cycles: records hold none, and a large ward is all records."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def looks_dead(course: "Course") -> bool:
    """Say whether the last visit with a cover showed no live tissue worth the name."""
    covers = [visit.live_cover for visit in course.visits if visit.live_cover is not None]
    return bool(covers) and covers[-1] <= LOOKS_DEAD


def _by_specimen(rows: Iterable[_Of]) -> dict[str, list[_Of]]:
    grouped: dict[str, list[_Of]] = defaultdict(list)
    for row in rows:
        grouped[row.specimen].append(row)
    return grouped
