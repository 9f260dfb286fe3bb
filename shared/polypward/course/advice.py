"""Advice from the rule table: hold, treat, release or discard. A person decides."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Final

from polypward.course.results import Advice, Flag, Visit
from polypward.course.rules import Fact, holds
from polypward.course.settings import CourseSettings
from polypward.life import LEAVING
from polypward.records import CareEvent, Specimen

__all__ = ["advise", "facts_on", "gather_facts", "left"]

_LEFT: Final = {**LEAVING, "split": "split"}
_SECOND_LOOK_HOURS: Final = 24
# Live cover up to which photos show no live tissue worth the name.
_LOOKS_DEAD: Final = 0.02


def left(
    specimen: Specimen, care: Sequence[CareEvent], settings: CourseSettings
) -> tuple[str, date | None]:
    """Whether and when a specimen has left the ward.

    Returns
    -------
    state : str
        "" or one of `polypward.life.STATES` ("split": it lives on in its children).
    on : date or None
        The day, where known.
    """
    if specimen.state in _LEFT.values():
        return specimen.state, specimen.left_on
    for event in sorted(care, key=lambda event: event.at, reverse=True):
        if event.what == "returned":
            return "", None
        if event.what == "split":
            children = event.detail.get("children", "").replace(",", " ").replace(";", " ").split()
            if specimen.specimen in children or (specimen.parent and not children):
                continue
        if event.what in _LEFT:
            return _LEFT[event.what], event.at.astimezone(settings.zone).date()
    return "", None


def _latest(care: Sequence[CareEvent], what: str, key: str) -> str | None:
    told = [event for event in care if event.what == what and key in event.detail]
    return max(told, key=lambda event: event.at).detail[key] if told else None


def _open_treatment(care: Sequence[CareEvent]) -> bool:
    """Whether any named treatment was opened last and not closed."""
    state: dict[str, str] = {}
    for event in sorted(care, key=lambda event: event.at):
        if event.what == "treatment" and "status" in event.detail:
            state[event.detail.get("name", "")] = event.detail["status"]
    return any(status == "open" for status in state.values())


def _second_look(visits: Sequence[Visit], care: Sequence[CareEvent]) -> str:
    """Whether a person saw no live tissue 24 h or more after the first such photo of the end."""
    dead: list[Visit] = []
    for visit in visits:
        if visit.live_cover is None:
            continue
        dead = [*dead, visit] if visit.live_cover <= _LOOKS_DEAD else []
    if not dead:
        return "no"
    from_on = dead[0].at + timedelta(hours=_SECOND_LOOK_HOURS)
    looks = [e for e in care if e.what == "look" and "state" in e.detail and e.at >= from_on]
    if not looks:
        return "no"
    return "yes" if max(looks, key=lambda event: event.at).detail["state"] == "dead" else "no"


def gather_facts(
    specimen: Specimen,
    visits: Sequence[Visit],
    flags: Sequence[Flag],
    care: Sequence[CareEvent],
    *,
    condition: float | None,
) -> dict[str, Fact]:
    """Collect what the rules may ask for, as far as it does not move with the day of asking.

    Parameters
    ----------
    specimen : Specimen
        For its arrival.
    visits : sequence of Visit
        Of the view the score stands on.
    flags : sequence of Flag
        All flags of the course.
    care : sequence of CareEvent
        Of this specimen.
    condition : float or None
        Photo condition now.

    Returns
    -------
    dict
        Value of each fact of `polypward.course.rules.FACTS`; None = not known. "days_here" is
        None, and so is "quarantine_done" where nobody noted the quarantine: it goes by the days.
    """
    watched = ("paling", "recession", "overgrowth", "sharp-loss", "look-again")
    standing = {flag.name for flag in flags if flag.standing}
    first = visits[0].day if visits else None
    last = visits[-1].day if visits else None
    stable = None
    if first is not None and last is not None:
        since = max([first, *(flag.cleared_on or last for flag in flags if flag.name in watched)])
        stable = max(0, (last - since).days)
    quarantine = _latest(care, "quarantine", "status")
    with_cover = [visit for visit in visits if visit.live_cover is not None]
    with_paling = [visit for visit in visits if visit.paling is not None]
    names = (*watched, "stalled", "overdue")
    return {
        "condition": condition,
        "cover": with_cover[-1].live_cover if with_cover else None,
        "paling": with_paling[-1].paling if with_paling else None,
        "visits": float(len({visit.day for visit in visits})),
        "days_here": None,
        "stable_days": None if stable is None else float(stable),
        "second_look": _second_look(visits, care),
        "open_treatment": "yes" if _open_treatment(care) else "no",
        "quarantine_done": None if quarantine is None else "yes" if quarantine == "done" else "no",
        "eating": _latest(care, "feeding", "eaten") or "unknown",
        "any_flag": "yes" if standing else "no",
        **{f"flag.{name}": "yes" if name in standing else "no" for name in names},
    }


def facts_on(
    today: date, facts: Mapping[str, Fact], *, here_since: date | None, settings: CourseSettings
) -> dict[str, Fact]:
    """Add to the facts of a specimen what moves with the day of asking.

    Parameters
    ----------
    today : date
        The day of asking.
    facts : mapping
        From `gather_facts`.
    here_since : date or None
        Its arrival, else its first photo.
    settings : CourseSettings
        Days of quarantine.

    Returns
    -------
    dict
        Value of each fact of `polypward.course.rules.FACTS`; None = not known.
    """
    days = None if here_since is None else (today - here_since).days
    done = facts["quarantine_done"]
    if done is None:
        done = "yes" if days is not None and days >= settings.quarantine_days else "no"
    here = None if days is None else float(days)
    return {**facts, "days_here": here, "quarantine_done": done}


def _told(reason: str, facts: Mapping[str, Fact]) -> str:
    for name, value in facts.items():
        if "{" + name + "}" in reason:
            text = (
                "not available"
                if value is None
                else value
                if isinstance(value, str)
                else f"{value:z.2f}"
                if name in ("cover", "paling")
                else f"{value:z.0f}"
            )
            reason = reason.replace("{" + name + "}", text)
    return reason


def advise(
    facts: Mapping[str, Fact],
    *,
    last_on: date | None,
    settings: CourseSettings,
    today: date,
) -> Advice:
    """First rule of the table that holds.

    Parameters
    ----------
    facts : mapping
        From `gather_facts`.
    last_on : date or None
        Day of the last accepted photo; without one the specimen is to be photographed today.
    settings : CourseSettings
        The rules and the interval of photos.
    today : date
        The day of asking.

    Returns
    -------
    Advice
    """
    if last_on is None:
        return Advice(
            what="hold",
            reason="No accepted photo yet.",
            changes="A first photo.",
            next_photo_on=today,
            rule="no photo",
        )
    for rule in settings.rules:
        if all(holds(test, facts) for test in rule.when):
            days = settings.interval_days if rule.next_photo_days is None else rule.next_photo_days
            return Advice(
                what=rule.advice,
                reason=_told(rule.reason, facts),
                changes=rule.changes,
                next_photo_on=last_on + timedelta(days=days) if days else today,
                rule=rule.name,
            )
    return Advice(
        what="hold",
        reason="No rule of the table applies.",
        next_photo_on=last_on + timedelta(days=settings.interval_days),
    )
