"""The daily look without a camera: what was odd, and what asks for another look.

Weekly photos cannot promise early warning of fast tissue loss; a person who walks past every day
can. Common practice, no source.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from polypward.course.results import Flag, Visit
from polypward.course.settings import CourseSettings
from polypward.errors import BadInputError
from polypward.records import CareEvent

__all__ = ["ODD", "look_flags", "odd_of", "plain_state"]

# What may be odd at a look, and how the flag's sentence says it.
ODD: Final[dict[str, str]] = {
    "closed": "closed",
    "slime": "with slime on it",
    "gaping": "gaping",
    "tissue-loose": "with tissue coming loose",
    "eaten": "eaten at",
    "gone": "gone from its place",
}
# Signs of fast loss: today, not at the next round.
_URGENT: Final = frozenset({"slime", "tissue-loose"})


def plain_state(text: str) -> str:
    """Return the state of a look in one spelling: "Tissue loose" is "tissue-loose"."""
    return "-".join(text.lower().replace("_", " ").replace("-", " ").split())


def odd_of(text: str) -> str:
    """Return one of the odd states.

    Raises
    ------
    BadInputError
        If it is none of `ODD`.
    """
    state = plain_state(text)
    if state not in ODD:
        raise BadInputError(f'"{text}" is nothing odd; write one of {", ".join(ODD)}')
    return state


def look_flags(
    visits: Sequence[Visit], care: Sequence[CareEvent], *, settings: CourseSettings
) -> list[Flag]:
    """Find the `look-again` flags that daily looks raise.

    Parameters
    ----------
    visits : sequence of Visit
        Of all views; an accepted photo after the look answers it.
    care : sequence of CareEvent
        Of this specimen: looks with a state, acknowledgements.
    settings : CourseSettings
        For the calendar day.

    Returns
    -------
    list of Flag
        One for each run of odd looks. It is cleared by a photo, a look that finds nothing odd, or
        an acknowledgement.
    """
    events: list[tuple[datetime, str, str, str]] = [(visit.at, "photo", "", "") for visit in visits]
    for event in care:
        if event.what == "look" and event.detail.get("state"):
            events.append((event.at, "look", plain_state(event.detail["state"]), event.by))
        elif event.what == "acknowledge" and event.detail.get("flag", "") in ("", "look-again"):
            events.append((event.at, "seen", "", ""))
    flags: list[Flag] = []
    standing: list[tuple[datetime, str, str]] = []

    def close(at: datetime | None, by_person: bool) -> None:
        if not standing:
            return
        first, (last, state, by) = standing[0], standing[-1]
        day = first[0].astimezone(settings.zone).date()
        who = f" by {by}" if by else ""
        flags.append(
            Flag(
                name="look-again",
                evidence=f"seen {ODD[state]} on {last.astimezone(settings.zone).date()}{who}, "
                "without a camera; look closely and photograph it",
                raised_on=day,
                could_raise_on=day,
                standing=at is None,
                urgent=at is None and state in _URGENT,
                cleared_on=None if at is None else at.astimezone(settings.zone).date(),
                cleared_by="" if at is None else "person" if by_person else "visits",
            )
        )
        standing.clear()

    for at, what, state, by in sorted(events):
        if what == "look" and state in ODD:
            standing.append((at, state, by))
        else:
            close(at, what != "photo")
    close(None, False)
    return flags
