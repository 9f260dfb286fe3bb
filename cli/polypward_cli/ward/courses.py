"""The courses of a ward: stored readings in, scores and filled readings out, and what is kept."""

import gc
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from polypward.life import inherited
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.ward.ledger import dumps
from polypward_cli.ward.light import mark_changed_light
from polypward_cli.ward.tables import readings_csv, scores_csv
from polypward_cli.ward.upkeep import write_table

if TYPE_CHECKING:
    from polypward.course import Course, CourseSettings
    from polypward_cli.ward.ward import Ward

__all__ = ["course_settings", "courses", "refresh", "summary"]

READINGS = "readings.csv"
SCORES = "scores.csv"
# Live cover up to which photos show no live tissue worth the name.
LOOKS_DEAD = 0.02


def courses(ward: "Ward", *, today: date) -> dict[str, "Course"]:
    """Return the course of every specimen of the ward, by name."""
    with _collector_resting():
        return _courses(ward, today=today)


def _courses(ward: "Ward", *, today: date) -> dict[str, "Course"]:
    from polypward.course import pool_sd, score_specimen

    every = _joined(ward, ward.readings())
    readings = _by_specimen(every)
    care: dict[str, list[CareEvent]] = defaultdict(list)
    for event in ward.care():
        care[event.specimen].append(event)
    settings = course_settings(ward)
    specimens: list[Specimen] = ward.specimens()
    known = inherited({one.specimen: one.parent for one in specimens if one.parent}, care)
    pooled = pool_sd((one for one in every if one.specimen), zone=ward.settings.zone)
    found = {
        one.specimen: score_specimen(
            readings.get(one.specimen, []),
            specimen=one,
            care=known.get(one.specimen, ()),
            pooled=pooled,
            settings=settings,
            today=today,
        )
        for one in specimens
    }
    return _with_worth(ward, found, specimens)


def _joined(ward: "Ward", readings: list[Reading]) -> list[Reading]:
    """Let colour go on from a card to the one that was bridged to it, as if it were the same."""
    from polypward_cli.card.history import bridges

    roots = bridges(ward)
    if not roots:
        return readings
    return [
        replace(one, card_serial=roots[one.card_serial]) if one.card_serial in roots else one
        for one in readings
    ]


def _own_card(filled: Reading, stored: Reading) -> Reading:
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


def _with_worth(
    ward: "Ward", found: dict[str, "Course"], specimens: list[Specimen]
) -> dict[str, "Course"]:
    """Tell beside the advice what a further week may bring, where enough cases have ended."""
    from polypward.course import LEAST_CASES, Case, prospect_of
    from polypward_cli.ward.money_settings import money_of

    cases = [
        Case(
            kind=one.kind,
            sold=one.state == "sold",
            conditions=tuple(
                visit.condition
                for visit in found[one.specimen].visits
                if visit.condition is not None
            ),
        )
        for one in specimens
        if one.kind and one.state in ("sold", "lost", "discarded")
    ]
    if len(cases) < LEAST_CASES:
        return found
    day = money_of(ward.settings.money, path=ward.settings.path).rates.table_day
    for one in specimens:
        course = found[one.specimen]
        if one.state != "held" or not course.advice.what:
            continue
        prospect = prospect_of(
            kind=one.kind,
            condition=course.score.condition,
            price=one.expected_price,
            week_cost=None if day is None else 7 * day,
            cases=cases,
        )
        if prospect is not None:
            advice = replace(course.advice, worth=prospect.words())
            found[one.specimen] = replace(course, advice=advice, prospect=prospect)
    return found


def summary(course: "Course") -> dict[str, Any]:
    """Return what `rounds` needs of a course, as plain JSON values."""
    advice = course.advice
    return {
        "advice": advice.what,
        "reason": advice.reason,
        "next_photo_on": advice.next_photo_on.isoformat() if advice.next_photo_on else None,
        "looks_dead": _looks_dead(course),
        "last_seen": course.score.last_seen.isoformat() if course.score.last_seen else None,
        "quarantine": course.facts.get("quarantine_done") == "no",
        "treated": course.facts.get("open_treatment") == "yes",
        "flags": [
            {"name": flag.name, "evidence": flag.evidence, "urgent": flag.urgent}
            for flag in course.flags
            if flag.standing
        ],
    }


def refresh(ward: "Ward") -> dict[str, "Course"]:
    """Compute every course again; write readings.csv, scores.csv and the summaries."""
    from polypward_cli.caring.places import note_newcomers

    mark_changed_light(ward)
    note_newcomers(ward)
    known = ward.courses()
    filled = {
        (reading.photo, reading.sha256, reading.specimen): reading
        for course in known.values()
        for reading in course.readings
    }
    readings = [
        _own_card(filled.get((reading.photo, reading.sha256, reading.specimen), reading), reading)
        for reading in ward.readings()
    ]
    readings.sort(key=lambda one: (one.photo, one.specimen))
    write_table(ward.path / READINGS, readings_csv(readings))
    write_table(ward.path / SCORES, scores_csv(course.score for course in known.values()))
    with ward.db.atomic():
        ward.db.execute("delete from summaries")
        ward.db.table("summaries").insert_all(
            {"specimen": name, "summary": dumps(summary(course))} for name, course in known.items()
        )
    return known


@contextmanager
def _collector_resting() -> Iterator[None]:
    """Hold the search for reference cycles: records hold none, and a large ward is all records."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _looks_dead(course: "Course") -> bool:
    """Say whether the last visit with a cover showed no live tissue worth the name."""
    covers = [visit.live_cover for visit in course.visits if visit.live_cover is not None]
    return bool(covers) and covers[-1] <= LOOKS_DEAD


def _by_specimen(readings: list[Reading]) -> dict[str, list[Reading]]:
    grouped: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.specimen:
            grouped[reading.specimen].append(reading)
    return grouped
