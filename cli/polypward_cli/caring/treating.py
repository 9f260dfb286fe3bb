"""Treatments: dips with their bath, and treatments that go on until somebody ends them."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from polypward.care import ago, bath_faults, nearest_bath
from polypward.errors import BadInputError
from polypward.records import CareEvent
from polypward_cli.caring.entries import Row, add_entry, add_tick, change_entry, entries
from polypward_cli.caring.limits import check
from polypward_cli.caring.scope import Scope, check_here
from polypward_cli.ward import Ward

__all__ = ["BATH_OVER", "SOURCES", "end_treatment", "open_treatments", "treat"]

BATH_OVER: Final = "bath over, animals out"
BATH_AWAY: Final = "bath water away by local rules"
SOURCES: Final = ("label", "veterinarian")
# A second bath within so many hours is asked about. Common practice, no source.
ASK_AGAIN_HOURS: Final = 48.0
# What a record of a bath should hold, by column, in the order of asking.
_WANTED: Final = {
    "concentration": "concentration",
    "lot": "lot",
    "bath_l": "bath volume",
    "bath_minutes": "minutes",
    "temperature_c": "temperature",
    "disposal": "disposal",
}
_WANTED_OF_COURSE: Final = ("concentration", "lot")


def treat(
    ward: Ward,
    scope: Scope,
    *,
    at: datetime,
    agent: str,
    by: str = "",
    how: str = "dip",
    substance: str = "",
    lot: str = "",
    concentration: str = "",
    source: str = "",
    prescriber: str = "",
    bath_l: float | None = None,
    bath_minutes: float | None = None,
    temperature_c: float | None = None,
    disposal: str = "",
    cost: float | None = None,
    work_minutes: float | None = None,
    note: str = "",
    again: bool = False,
) -> tuple[Row, list[str]]:
    """Keep a treatment; returns the entry and remarks.

    Parameters
    ----------
    ward : Ward
    scope : Scope
        Who is treated.
    at, by : datetime, str
        When it began, and who did it.
    agent, substance, lot : str
        What the product is called, its active substance, its lot number.
    how : {"dip", "course"}
        A bath of some minutes, or a treatment that goes on until it is ended.
    concentration, source, prescriber : str
        As the label or the veterinarian says, in their own words and units; there is no default.
    bath_l, bath_minutes, temperature_c : float, optional
        Volume in litres, time in the bath in minutes, its temperature.
    disposal : str
        Where the bath went afterwards.
    cost, work_minutes : float, optional
        Of the whole treatment, shared out evenly among those treated.
    again : bool
        Go on although somebody had a bath or treatment within the last 48 hours.

    Raises
    ------
    BadInputError
        If a number is impossible, a concentration has no source, or somebody had a bath lately.
        Nothing is written.
    """
    agent = " ".join(agent.split())
    if not agent:
        raise BadInputError("say with what: --agent NAME, as the label calls it")
    _check_source(concentration, source, prescriber)
    faults = bath_faults(litres=bath_l, minutes=bath_minutes, temperature_c=temperature_c)
    if faults:
        raise BadInputError("; ".join(faults))
    check(cost=cost, work_minutes=work_minutes)
    check_here(ward, scope, at)
    if not again:
        _ask_again(ward, scope, at)
    values: dict[str, Any] = {
        "at": at,
        "by": by,
        "places": scope.places,
        "specimens": scope.specimens,
        "how": how,
        "agent": agent,
        "substance": substance,
        "lot": lot,
        "concentration": concentration,
        "source": source,
        "prescriber": prescriber,
        "bath_l": bath_l,
        "bath_minutes": bath_minutes,
        "temperature_c": temperature_c,
        "disposal": disposal,
        "cost": cost,
        "work_minutes": work_minutes,
        "note": note,
    }
    with ward.db.atomic():
        row = add_entry(ward, "treatment", values)
        about = f"treatment:{row['id']}"
        if how == "dip" and bath_minutes is not None:
            add_tick(ward, about, BATH_OVER, at + timedelta(minutes=bath_minutes))
        if how == "dip" and not disposal:
            over = timedelta(minutes=bath_minutes or 60.0)
            add_tick(ward, about, BATH_AWAY, at + over)
    wanted = list(_WANTED) if how == "dip" else list(_WANTED_OF_COURSE)
    missing = [_WANTED[name] for name in wanted if not row[name] and row[name] != 0]
    remarks = []
    if missing:
        remarks.append(
            f"Not noted: {', '.join(missing)}. Add it: "
            f"polypward care amend {about} --set {_first_missing(row, wanted)}=..."
        )
    return row, remarks


def open_treatments(ward: Ward) -> list[Row]:
    """Return the treatments that go on, oldest first."""
    return [
        row
        for row in entries(ward, "treatment")
        if row["how"] == "course" and row["ended_at"] is None
    ]


def end_treatment(
    ward: Ward, specimens: Sequence[str], *, at: datetime, agent: str = "", by: str = ""
) -> list[Row]:
    """End the treatments that go on at specimens (those with `agent`, if it is given).

    A treatment of several specimens ends for all of them.

    Raises
    ------
    BadInputError
        If none goes on, or it began after `at`.
    """
    wanted = agent.strip().casefold()
    mine = [
        row
        for row in open_treatments(ward)
        if set(row["specimens"]) & set(specimens)
        and (not wanted or row["agent"].casefold() == wanted)
    ]
    if not mine:
        named = f' with "{agent}"' if agent else ""
        raise BadInputError(f"no treatment{named} goes on at {', '.join(specimens)}")
    late = [row for row in mine if row["at"] > at]
    if late:
        raise BadInputError(
            f"treatment:{late[0]['id']} began on {late[0]['at']:%Y-%m-%d %H:%M}, after "
            f"{at:%Y-%m-%d %H:%M}"
        )
    with ward.db.atomic():
        end = {"ended_at": at, "ended_by": by}
        return [change_entry(ward, "treatment", row["id"], end, by=by) for row in mine]


def _check_source(concentration: str, source: str, prescriber: str) -> None:
    if source and source not in SOURCES:
        raise BadInputError(f'source "{source}": it is {" or ".join(SOURCES)}')
    if concentration and not source:
        raise BadInputError(
            f'who says "{concentration}"? polypward knows no dose: --source label, or '
            "--source veterinarian with --prescriber NAME"
        )
    if source == "veterinarian" and not prescriber:
        raise BadInputError("a veterinarian's dose needs --prescriber NAME")


def _ask_again(ward: Ward, scope: Scope, at: datetime) -> None:
    """Raise if anyone had a bath or a treatment near that time, or one goes on."""
    wanted = set(scope.specimens)
    told: dict[str, list[str]] = {}
    for name in scope.specimens:
        near = nearest_bath(ward.care(name), at=at, hours=ASK_AGAIN_HOURS)
        if near is not None:
            told.setdefault(_words(near, at), []).append(name)
    for row in open_treatments(ward):
        under = sorted(wanted & set(row["specimens"]))
        if under and abs(row["at"] - at) > timedelta(hours=ASK_AGAIN_HOURS):
            words = f"under treatment with {row['agent']} since {row['at']:%Y-%m-%d}"
            told.setdefault(words, []).extend(under)
    if not told:
        return
    lines = "; ".join(
        f"{'all of them' if len(names) == len(wanted) > 1 else ', '.join(names)} {words}"
        for words, names in told.items()
    )
    raise BadInputError(
        f"{lines}. Nothing was noted. A second one may be too much: if it is meant, give --again."
    )


def _words(event: CareEvent, at: datetime) -> str:
    did = "dipped" if event.what == "dip" else "treated"
    name = event.detail.get("name", "")
    by = f" by {event.by}" if event.by else ""
    return f"{did} {ago(at - event.at)}{by}{f' ({name})' if name else ''}"


def _first_missing(row: Row, wanted: Sequence[str]) -> str:
    return next(name for name in wanted if not row[name] and row[name] != 0)
