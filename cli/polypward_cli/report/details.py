"""The details of a specimen's page: figures behind it, care, the table of photo readings."""

from datetime import tzinfo
from typing import TYPE_CHECKING

from polypward.care import history_words
from polypward.reasons import REASONS
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.report import words
from polypward_cli.report.views import EventView, ReadingView

if TYPE_CHECKING:
    from polypward.course import Course, Score

__all__ = ["event_view", "facts_of", "opening", "reading_view"]


def facts_of(specimen: Specimen, course: "Course") -> list[tuple[str, str]]:
    """Return the figures behind the two numbers, each with its label."""
    score: Score = course.score
    recovery = words.signed(score.recovery)
    if score.recovery is not None:
        low, high = words.signed(score.recovery_low), words.signed(score.recovery_high)
        recovery += f" (90 %: {low} to {high})"
    weekly = 100 * score.cover_change_per_week if score.cover_change_per_week is not None else None
    facts = [
        ("Photo condition", words.figure(score.condition, sd=score.condition_sd)),
        ("Photo condition at intake", words.figure(score.condition_intake)),
        ("Recovery since intake", recovery),
        ("Live area", words.figure(score.live_mm2, unit=" mm²")),
        ("Live area since the first visit", words.signed(score.live_change_pct, unit=" %")),
        ("Live cover, change per week", words.signed(weekly, 1, unit=" points")),
        ("Paling, change per week", words.signed(score.paling_change_per_week, 3)),
        ("Days with counted photos", str(score.visits)),
        ("First and last", _first_last(score)),
        ("Figures stand on", "photos from the top" if course.view == "top" else "side photos"),
    ]
    if specimen.water_system:
        facts.append(("Water system", specimen.water_system))
    return facts


def _first_last(score: "Score") -> str:
    if score.first_seen is None or score.last_seen is None:
        return "n/a"
    return f"{words.day(score.first_seen)} to {words.day(score.last_seen)}"


def opening(state: str) -> str:
    """Return how far the polyps are out, in words; "" where nobody said."""
    return {"out": "polyps out", "half": "polyps half out", "in": "polyps in"}.get(state, "")


def event_view(event: CareEvent, zone: tzinfo) -> EventView:
    """Return a care event as a line, its time in `zone`."""
    said = history_words(event) + (f" ({event.by})" if event.by else "")
    return EventView(day=words.taken(event.at.astimezone(zone)), words=said)


def reading_view(reading: Reading, zone: tzinfo) -> ReadingView:
    """Return a reading as a row of the table, its time in `zone`."""
    accepted = reading.status == "accepted"
    notes = [REASONS[code].means if code in REASONS else code for code in reading.reasons]
    if reading.detail and not accepted:
        notes.append(reading.detail)
    cover = None if reading.live_cover is None else 100 * reading.live_cover
    cover_sd = None if reading.live_cover_sd is None else 100 * reading.live_cover_sd
    return ReadingView(
        taken=words.taken(reading.taken_at.astimezone(zone)) if reading.taken_at else "unknown",
        view=" ".join(part for part in (reading.view, reading.open) if part),
        status="counted" if accepted else "not counted",
        accepted=accepted,
        cover=words.figure(cover, 1, sd=cover_sd, unit=" %") if accepted else "",
        live=words.figure(reading.live_mm2, sd=reading.live_mm2_sd) if accepted else "",
        bare=words.figure(reading.bare_mm2) if accepted else "",
        overgrown=words.figure(reading.overgrown_mm2) if accepted else "",
        paling=words.figure(reading.paling, 2, sd=reading.paling_sd) if accepted else "",
        colour="no card" if "no-card-scale" in reading.reasons else reading.colour_grade or "",
        notes=" ".join(notes),
        photo=reading.photo,
    )
