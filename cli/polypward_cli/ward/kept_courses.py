"""What is kept of every course in the ledger, worked out anew only where anything has changed.

A course stands on
1. its own photo readings, register line and care, and the care of those it was cut from;
2. what is the ward's: the course settings of ward.toml, colours named for a kind, cards bridged to
   others, and polypward's own code;
3. the pooled repeatability of the photo readings of all specimens; and
4. the day of asking.

Changes of 1 are marked by triggers of the ledger, whatever command makes them, and only the
specimens marked, with their pieces, are worked out again. A change of 2 works out all. So does a
change of 3, which the three digits of a pooled SD make rare in a large ward. A new day works out
nothing: flags, advice and score of the day follow from the kept `Grounds` (`stand_on`).
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import asdict, dataclass, fields
from datetime import date
from functools import partial
from hashlib import sha256
from itertools import islice
from json import loads
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polypward
from polypward.errors import BadInputError
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.files import code_digest
from polypward_cli.ward.course_tables import (
    READINGS,
    lines_of,
    mark,
    set_mark,
    write_tables,
)
from polypward_cli.ward.courses import (
    course_settings,
    courses,
    looks_dead,
    sources_of,
    summary,
    worth_teller,
)
from polypward_cli.ward.ledger import dumps
from polypward_cli.ward.light import mark_changed_light
from polypward_cli.ward.settings import SETTINGS
from polypward_cli.ward.standing import plain, stands_on
from polypward_cli.ward.tables import reading_line, score_line

if TYPE_CHECKING:
    from polypward.course import Course, CourseSettings, PooledSd
    from polypward_cli.ward.ward import Ward

__all__ = [
    "Kept",
    "behind",
    "catch_up",
    "course_of",
    "kept_courses",
    "pooled_of",
    "refresh",
    "summaries_on",
]

# Courses that are worked out in one go: few, so that what is done with each begins early.
_TOGETHER: Final = 10
_REST: Final = attrgetter(*(one.name for one in fields(Reading) if one.name != "live_palette"))


def refresh(ward: "Ward") -> "Mapping[str, Course]":
    """Work out what has changed; bring summaries, scores.csv and readings.csv up to it.

    A table that was changed by hand, or could not be written the last time, is written anew too.
    Returned are the courses that were worked out, by specimen.
    """
    from polypward_cli.caring.places import note_newcomers

    mark_changed_light(ward)
    note_newcomers(ward)
    with ward.db.atomic():
        settings = course_settings(ward)
        worked_out = _work_out(ward, settings)
        _keep_day(ward, settings)
        set_mark(ward, "seen", _seen(ward))
    write_tables(ward)
    return worked_out


def catch_up(ward: "Ward", doing: str) -> str:
    """Refresh the ward if it is behind; return a sentence for the person where it cannot be."""
    if not behind(ward):
        return ""
    try:
        with ward.working(doing):
            refresh(ward)
    except BadInputError as error:
        return f"Flags and advice are as of the last entry: {error}"
    return ""


def behind(ward: "Ward") -> bool:
    """Say whether summaries and tables are not those of the ward as it is, today."""
    return _changed(ward) or mark(ward, "day") != ward.zone_today.isoformat()


def course_of(ward: "Ward", one: Specimen) -> "Course":
    """Work out the course of one specimen, and what a further week may bring it."""
    return next(_each_course(ward, {one.specimen}))


def _each_course(
    ward: "Ward", names: AbstractSet[str], readings: Mapping[str, list[Reading]] | None = None
) -> Iterator["Course"]:
    """Work out the courses of these specimens, some at a time, with those that left of their kinds.

    `readings` are those of all specimens, where they were read already.
    """
    rows = list(ward.db.query("select specimen, kind, state from specimens"))
    kinds = {row["kind"] for row in rows if row["specimen"] in names and row["kind"]}
    ended = {row["specimen"] for row in rows if row["kind"] in kinds and row["state"] != "held"}
    today, pooled = ward.zone_today, pooled_of(ward)

    def work(some: Collection[str]) -> dict[str, "Course"]:
        sources = sources_of(ward, some, readings=readings)
        return courses(ward, today=today, sources=sources, pooled=pooled)

    known = work(ended)
    tell = worth_teller(ward, known)
    coming = iter(sorted(names))
    while some := list(islice(coming, _TOGETHER)):
        fresh = known | work([name for name in some if name not in known])
        yield from (tell(fresh[name]) for name in some)


@dataclass(frozen=True, slots=True)
class Kept:
    """What stands in for courses that need not be worked out.

    `told` is text, by specimen, in which whatever a course of today depends on would show; `work`
    works out the courses of the specimens named, one after the other, from the ledger or from
    photo readings of all of them that were read already.
    """

    told: Mapping[str, str]
    work: Callable[
        [AbstractSet[str], Mapping[str, list[Reading]] | None],
        Iterator["Course"],
    ]


def kept_courses(ward: "Ward") -> Kept | None:
    """Return what is kept of the ward's courses, None where it is not that of today."""
    from polypward_cli.ward.money_settings import money_of

    if behind(ward):
        return None
    today, settings = ward.zone_today, course_settings(ward)
    rows = ward.db.query("select specimen, inputs from kept_courses where stands != ''")
    inputs = {row["specimen"]: row["inputs"] for row in rows}
    stands = stands_on(ward, today, settings)
    rates = repr(money_of(ward.settings.money, path=ward.settings.path).rates)
    specimens = ward.specimens()
    # A further week's worth stands on the courses of those of its kind that have left.
    ended = [(one.kind, inputs[one.specimen]) for one in specimens if one.state != "held"]
    worth = {kind: repr([own for of, own in ended if of == kind]) for kind, _ in ended if kind}
    told = {}
    for one in specimens:
        stand, _ = stands[one.specimen]
        on = stand.advice.next_photo_on
        due = on and (on > today) - (on < today)
        facts = {**stand.facts, "days_here": None}  # no page tells the days
        parts = (inputs[one.specimen], stand.flags, stand.advice, facts, due)
        told[one.specimen] = repr((*parts, worth.get(one.kind), rates))
    return Kept(told, partial(_each_course, ward))


def pooled_of(ward: "Ward") -> "PooledSd":
    """Return how well photo readings repeat in the ward: as kept, where nothing has changed."""
    from polypward.course import pool_sd

    kept = None if _changed(ward) else _kept_pool(ward)
    if kept is not None:
        return kept
    named = (one for one in ward.readings() if one.specimen)
    return pool_sd(named, zone=ward.settings.zone)


def _changed(ward: "Ward") -> bool:
    sql = "select exists (select 1 from stale_courses) or exists (select 1 from stale_lights)"
    return bool(ward.db.execute(sql).fetchone()[0]) or mark(ward, "seen") != _seen(ward)


# Which courses are worked out.


def _work_out(ward: "Ward", settings: "CourseSettings") -> "Mapping[str, Course]":
    """Work out the courses whose sources have changed; no mark of a change is left."""
    from polypward.course import repeats_of

    names = {row["specimen"] for row in ward.db.query("select specimen from specimens")}
    general = _general(ward, settings)
    every = mark(ward, "general") != general
    stale = names if every else _stale(ward)
    if not every and not stale:
        return {}
    sources = sources_of(ward, None if every else stale)
    if every:
        ward.db.execute("delete from kept_courses")
    repeats = {
        name: dumps(asdict(repeats_of(sources.readings.get(name, ()), zone=settings.zone)))
        for name in stale & names
    }
    # Names that only rejected photos bear, and "" for none.
    loose = {*stale, *sources.readings} - names
    less = [_keep_loose(ward, name, sources.readings.get(name, [])) for name in loose]
    before = None if every else _kept_pool(ward)
    pooled = before
    if pooled is None or any(less) or not _are_kept(ward, repeats):
        pooled = _pool(ward, repeats)
    if not every and (before is None or _sds(before) != _sds(pooled)):
        sources = sources_of(ward)
    known = courses(ward, today=ward.zone_today, sources=sources, pooled=pooled)
    for one in sources.specimens:
        course, stored = known[one.specimen], sources.readings.get(one.specimen, [])
        care, dead = sources.care.get(one.specimen, []), looks_dead(course)
        row = {
            "inputs": _digest(general, _sds(pooled), _told(one, stored, care)),
            "stands": dumps(plain(asdict(course.grounds)) | {"looks_dead": dead}),
            "lines": dumps(lines_of(course, stored)),
            "score": score_line(course.score),
        }
        if one.specimen in repeats:
            row["repeat"] = repeats[one.specimen]
        _keep(ward, one.specimen, row)
        _keep_summary(ward, one.specimen, dumps(summary(course, dead=dead)))
    set_mark(ward, "pooled", dumps(plain(asdict(pooled))))
    set_mark(ward, "general", general)
    ward.db.execute("delete from stale_courses")
    return known


def _stale(ward: "Ward") -> set[str]:
    """Return the specimens that are marked, with their pieces, which carry on their care."""
    found = {row["specimen"] for row in ward.db.query("select specimen from stale_courses")}
    if not found:
        return found
    rows = list(ward.db.query("select specimen, parent from specimens where parent != ''"))
    size = 0
    while len(found) > size:
        size = len(found)
        found |= {row["specimen"] for row in rows if row["parent"] in found}
    return found


def _general(ward: "Ward", settings: "CourseSettings") -> str:
    """Return a digest of what bears on every course, pooled SDs and day apart."""
    from polypward_cli.card.history import bridges

    return _digest(repr(settings), dumps(bridges(ward)), _code())


def _seen(ward: "Ward") -> str:
    """Return a digest of the files and rows that `_general` comes from, without reading them."""
    try:
        said = (ward.path / SETTINGS).read_bytes().hex()
    except OSError:
        said = ""
    kinds = list(ward.db.query("select * from kind_colours order by kind"))
    events = list(ward.db.query("select count(*) as n, max(id) as last from card_events"))
    return _digest(said, dumps(kinds), dumps(events), _code())


def _code() -> str:
    """Return a digest of the code that courses come from, so that nothing of older code is kept."""
    return code_digest(Path(polypward.__file__).parent, Path(__file__).parent)


def _told(one: Specimen, readings: list[Reading], care: list[CareEvent]) -> str:
    """Return all that is a specimen's own as text; a palette by its bytes."""
    palettes = (reading.live_palette for reading in readings)
    colours = [None if palette is None else palette.tobytes() for palette in palettes]
    return repr((one, [_REST(reading) for reading in readings], colours, care))


def _digest(*parts: str) -> str:
    return sha256("\0".join(parts).encode("utf-8", "surrogatepass")).hexdigest()[:20]


# How well photos repeat.


def _pool(ward: "Ward", fresh: Mapping[str, str]) -> "PooledSd":
    """Pool what each specimen adds: as kept, or as just worked out."""
    from polypward.course import Repeats, pool_repeats

    rows = ward.db.query("select specimen, repeat from kept_courses where repeat != ''")
    kept = {row["specimen"]: row["repeat"] for row in rows}
    return pool_repeats([Repeats(**loads(text)) for text in {**kept, **fresh}.values()])


def _are_kept(ward: "Ward", repeats: Mapping[str, str]) -> bool:
    """Say whether this is what is kept already of how the specimens' photos repeat."""
    sql = "select repeat from kept_courses where specimen = ?"
    return all((text,) == ward.db.execute(sql, [name]).fetchone() for name, text in repeats.items())


def _kept_pool(ward: "Ward") -> "PooledSd | None":
    from polypward.course import PooledSd

    text = mark(ward, "pooled")
    if not text:
        return None
    told = loads(text)
    bands = {float(low): sd for low, sd in told.pop("cover_by_band").items()}
    return PooledSd(**told, cover_by_band=bands)


def _sds(pooled: "PooledSd") -> str:
    """Return the pooled SDs as text, without degrees of freedom: no course asks for them."""
    return dumps({k: v for k, v in plain(asdict(pooled)).items() if not k.endswith("_df")})


# What is kept of a course.


def _keep(ward: "Ward", specimen: str, row: Mapping[str, str]) -> None:
    old = next(ward.db.query("select * from kept_courses where specimen = ?", [specimen]), {})
    if row["lines"] != old.get("lines"):
        set_mark(ward, READINGS, "")
    new = {"repeat": "", **old, **row, "specimen": specimen}
    if new != old:
        ward.db.execute(
            "insert or replace into kept_courses (specimen, inputs, stands, repeat, lines, score) "
            "values (:specimen, :inputs, :stands, :repeat, :lines, :score)",
            new,
        )


def _keep_loose(ward: "Ward", name: str, readings: list[Reading]) -> bool:
    """Keep the rows of photos that show no specimen of the ward; whether it was one before."""
    was = ward.db.execute("delete from summaries where specimen = ?", [name]).rowcount
    lines = dumps([[one.photo, reading_line(one)] for one in readings])
    _keep(ward, name, {"lines": lines, "inputs": "", "stands": "", "repeat": "", "score": ""})
    if not readings:
        ward.db.execute("delete from kept_courses where specimen = ?", [name])
    return was > 0


def _keep_summary(ward: "Ward", specimen: str, text: str) -> None:
    ward.db.execute(
        "insert into summaries (specimen, summary) values (?, ?) on conflict (specimen) "
        "do update set summary = excluded.summary where summary != excluded.summary",
        [specimen, text],
    )


def _keep_day(ward: "Ward", settings: "CourseSettings") -> None:
    """On a new day, say anew how every specimen stands."""
    day = ward.zone_today
    if mark(ward, "day") == day.isoformat():
        return
    for name, (stand, dead) in stands_on(ward, day, settings).items():
        line = score_line(stand.score)
        sql = "update kept_courses set score = ? where specimen = ? and score != ?"
        ward.db.execute(sql, [line, name, line])
        _keep_summary(ward, name, dumps(summary(stand, dead=dead)))
    set_mark(ward, "day", day.isoformat())


def summaries_on(ward: "Ward", day: date) -> dict[str, dict[str, Any]]:
    """Return the summary of every specimen on a day, from what is kept."""
    if _changed(ward) or mark(ward, "day") == day.isoformat():
        return ward.summaries()
    stands = stands_on(ward, day, course_settings(ward))
    return {name: summary(stand, dead=dead) for name, (stand, dead) in stands.items()}
