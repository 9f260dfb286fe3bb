"""What the phone is told of a photo: accepted or not, what to do differently, and the last one."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from polypward.reasons import REASONS, REJECTIONS
from polypward.records import Reading
from polypward_cli.phone.uploads import Upload, course_of, readings_of_key
from polypward_cli.report import words
from polypward_cli.ward import Ward

if TYPE_CHECKING:
    from polypward.course import Course, PooledSd, Visit

__all__ = ["Advice", "Figure", "Result", "Shot", "advice_of", "figures_of_last", "result_of"]

# Two-sided 90 % of a normal distribution, as in the report.
SURE_SDS: Final = 1.645
# What to do about some reasons is different with a phone in the hand than at a desk.
_DO: Final = {
    "no-specimen": "Say below which specimen it is, or photograph it with its tag in view.",
    "specimen-conflict": "Say below which specimen it is.",
    "no-date": "Say below when it was taken.",
    "future-date": "Set the phone's clock, and say below when it was taken.",
    "unsure": "Take the photo again in even white light, on a plain ground.",
    "dropped": "It stays in the ward. Take it in again below if that was a slip.",
    "measuring-failed": "The photo is kept. Take another one; at the desk, ward.log says more.",
    "no-height": "Give the height in the settings, best with the card at mid-height.",
    "no-print-scale": "Measure the card's two bars and tell them at the desk.",
    "zone-assumed": "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What was seen, and what to do differently ("" = nothing)."""

    means: str
    do: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure of this photo beside that of the last one; `change` is in words."""

    label: str
    now: str
    last: str
    change: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A cut-out: the address it is shown from, when it was taken."""

    src: str
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What the page of an upload shows."""

    accepted: bool
    dropped: bool
    specimen: str
    taken: str
    taken_input: str
    time_source: str
    time_note: str
    reasons: tuple[Advice, ...]
    notes: tuple[Advice, ...]
    detail: str
    figures: tuple[Figure, ...]
    missing: tuple[str, ...]
    view: str
    open: str
    shot: Shot | None
    last: Shot | None
    last_words: str
    flags: tuple[str, ...]
    next_words: str
    others: tuple[str, ...] = ()


def result_of(ward: Ward, upload: Upload, *, pooled: "PooledSd | None") -> Result:
    """Return what to tell of an upload that was measured.

    `pooled` is the ward's repeatability as it was computed last.
    """
    stored, *others = readings_of_key(ward, upload.key)
    course = course_of(ward, stored.specimen, pooled=pooled) if stored.specimen else None
    mine = stored
    last: Reading | None = None
    if course is not None:
        mine = next((one for one in course.readings if _same(one, stored)), stored)
        last = _last_before(course, mine)
    accepted = mine.status == "accepted"
    codes = [code for code in mine.reasons if code in REJECTIONS] if not accepted else []
    figures, missing = _figures(mine, last, course, pooled) if accepted else ((), ())
    taken = mine.taken_at.astimezone(ward.settings.zone) if mine.taken_at else None
    return Result(
        accepted=accepted,
        dropped="dropped" in codes,
        specimen=mine.specimen,
        taken=words.taken(taken) if taken else "",
        taken_input=f"{taken:%Y-%m-%dT%H:%M}" if taken else "",
        time_source=upload.time_source,
        time_note=_time_note(upload),
        reasons=tuple(advice_of(code) for code in codes),
        notes=tuple(advice_of(c) for c in mine.reasons if c not in REJECTIONS) if accepted else (),
        detail=words.sentence(mine.detail) if not accepted and mine.detail else "",
        figures=figures,
        missing=missing,
        view=mine.view or "top",
        open=mine.open,
        shot=_shot(ward, mine),
        last=_shot(ward, last) if last else None,
        last_words=_last_words(ward, last) if accepted else "",
        flags=_standing(course),
        next_words=_next(course, ward),
        others=tuple(_other(one) for one in others if one.photo == stored.photo),
    )


def _other(one: Reading) -> str:
    """Say what a further specimen of the same photo came to."""
    if one.status == "accepted":
        cover = "" if one.live_cover is None else f", live cover {100 * one.live_cover:.0f} %"
        return f"{one.specimen}: accepted{cover}"
    return f"{one.specimen}: not accepted. {advice_of(one.reasons[0]).means}"


def figures_of_last(ward: Ward, course: "Course", *, pooled: "PooledSd | None") -> dict[str, Any]:
    """Return figures, missing, shot and taken of a specimen's last accepted photo."""
    accepted = [one for one in course.readings if one.status == "accepted" and one.taken_at]
    if not accepted:
        return {"figures": (), "missing": (), "shot": None, "taken": ""}
    mine = max(accepted, key=lambda one: one.taken_at.timestamp() if one.taken_at else 0.0)
    figures, missing = _figures(mine, _last_before(course, mine), course, pooled)
    assert mine.taken_at is not None
    taken = words.taken(mine.taken_at.astimezone(ward.settings.zone))
    return {"figures": figures, "missing": missing, "shot": _shot(ward, mine), "taken": taken}


def _same(one: Reading, other: Reading) -> bool:
    return one.sha256 == other.sha256 and one.photo == other.photo


def _last_before(course: "Course", mine: Reading) -> Reading | None:
    """Return the accepted photo of the same view from an earlier day, the last one."""
    if mine.taken_at is None:
        return None
    side = mine.view == "side"
    earlier = [
        one
        for one in course.readings
        if one.status == "accepted"
        and one.taken_at is not None
        and (one.view == "side") == side
        and one.taken_at.date() < mine.taken_at.date()
    ]
    return max(earlier, key=lambda one: (one.taken_at, one.photo), default=None)


def _figures(
    mine: Reading, last: Reading | None, course: "Course | None", pooled: "PooledSd | None"
) -> tuple[tuple[Figure, ...], tuple[str, ...]]:
    """Return the figures that are known, and sentences on those that are not."""
    visit, before = _visit(course, mine), _visit(course, last)
    figures, missing = [], []
    cover_sd = pooled.cover if pooled else None
    figures.append(
        _figure(
            "Live cover, %",
            (mine.live_cover, _wider(mine.live_cover_sd, cover_sd)),
            (last.live_cover, _wider(last.live_cover_sd, cover_sd)) if last else (None, None),
            scale=100,
            step=" points",
        )
    )
    figures.append(
        _figure(
            "Live area, mm²",
            (mine.live_mm2, mine.live_mm2_sd),
            (last.live_mm2, last.live_mm2_sd) if last else (None, None),
            step=" mm²",
        )
    )
    if mine.paling is None:
        missing.append(f"Paling is not available, because {_why_no_paling(mine, course)}.")
    else:
        figures.append(
            _figure(
                "Paling, 0 to 1",
                (mine.paling, mine.paling_sd),
                (last.paling, last.paling_sd) if last else (None, None),
                decimals=2,
            )
        )
    if visit and visit.condition is not None:
        figures.append(
            _figure(
                "Photo condition, 0 to 100",
                (visit.condition, visit.condition_sd),
                (before.condition, before.condition_sd) if before else (None, None),
            )
        )
    return tuple(figures), tuple(missing)


def _figure(
    label: str,
    now: tuple[float | None, float | None],
    last: tuple[float | None, float | None],
    *,
    scale: float = 1,
    step: str = "",
    decimals: int = 0,
) -> Figure:
    change = ""
    if now[0] is not None and last[0] is not None:
        by = scale * (now[0] - last[0])
        change = words.signed(by, decimals, unit=step)
        if now[1] is not None and last[1] is not None:
            noise = SURE_SDS * scale * math.hypot(now[1], last[1])
            change += ", within the noise" if abs(by) <= noise else ", more than noise"
    return Figure(
        label=label,
        now=words.figure(_times(now[0], scale), decimals),
        last=words.figure(_times(last[0], scale), decimals),
        change=change,
    )


def _times(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def _wider(one: float | None, other: float | None) -> float | None:
    known = [value for value in (one, other) if value is not None]
    return max(known, default=None)


def _why_no_paling(mine: Reading, course: "Course | None") -> str:
    if mine.colour_grade is None:
        return "it was measured without a card"
    if mine.colour_grade == "refused":
        return "the light or the card did not allow a colour: white light only, blue channels off"
    if course is not None and not course.reference.available:
        return "the colour reference is too near to white, or there are too few photos yet"
    return "there are too few photos under this light yet"


def _visit(course: "Course | None", reading: Reading | None) -> "Visit | None":
    if course is None or reading is None:
        return None
    key = (reading.photo, reading.sha256)
    return next((visit for visit in course.visits if key in visit.keys), None)


def advice_of(code: str) -> Advice:
    """Return what a reason means and what to do about it with a phone in the hand."""
    reason = REASONS.get(code)
    if reason is None:
        return Advice(means=code, do="")
    return Advice(means=reason.means, do=_DO.get(code, reason.do))


def _time_note(upload: Upload) -> str:
    if upload.time_source == "upload":
        return "The photo holds no time of its own; the time it was sent is taken."
    return "A person gave this time." if upload.time_source == "person" else ""


def _shot(ward: Ward, reading: Reading) -> Shot | None:
    if not reading.tile or reading.taken_at is None:
        return None
    rows = list(
        ward.db.query(
            "select id from readings where specimen = ? and tile = ? limit 1",
            [reading.specimen, reading.tile],
        )
    )
    if not rows:
        return None
    at = reading.taken_at.astimezone(ward.settings.zone)
    return Shot(src=f"/cutout/{rows[0]['id']}", when=words.day(at.date()))


def _last_words(ward: Ward, last: Reading | None) -> str:
    if last is None or last.taken_at is None:
        return "No earlier photo from this view was counted, so there is none to compare with."
    return f"Last time: {words.taken(last.taken_at.astimezone(ward.settings.zone))}."


def _standing(course: "Course | None") -> tuple[str, ...]:
    if course is None:
        return ()
    return tuple(
        f"{words.FLAGS.get(flag.name, flag.name)}: {words.sentence(flag.evidence)}"
        for flag in course.flags
        if flag.standing and flag.name != "overdue"
    )


def _next(course: "Course | None", ward: Ward) -> str:
    if course is None or course.advice.next_photo_on is None:
        return ""
    on = course.advice.next_photo_on
    return "" if on <= ward.zone_today else f"Next photo {words.day(on)}."
