"""The kinds of entries of care, and the events of the specimens that follow from a row of each."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from polypward.care import eaten_word
from polypward.records import CareEvent

__all__ = ["KINDS", "Kind", "Row", "plain"]

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of entry: its table, and the events of its specimens that follow from a row.

    `words` are what those events can be.
    """

    table: str
    words: tuple[str, ...]
    events: Callable[[Row], Iterable[CareEvent]]


def plain(value: float | None, decimals: int = 4) -> str:
    """Return a number as short text for an event's detail; "" for None."""
    return "" if value is None else f"{round(value, decimals):.{decimals}f}".rstrip("0").rstrip(".")


def _feeding_events(row: Row) -> Iterable[CareEvent]:
    """Yield a feeding of each specimen, with its share of the cost and of the minutes."""
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        response = row["responses"].get(specimen, "")
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="feeding",
            detail=_filled(
                feeding=str(row["id"]),
                food=row["food"],
                amount=row["amount"],
                response=response,
                eaten=eaten_word(response) if response else "",
                cost=plain(_share(row["cost"], count)),
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )


def _treatment_events(row: Row) -> Iterable[CareEvent]:
    """Yield a dip, or the beginning (and end) of a treatment, of each specimen."""
    count = len(row["specimens"])
    dip = row["how"] == "dip"
    for specimen in row["specimens"]:
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="dip" if dip else "treatment",
            detail=_filled(
                treatment=str(row["id"]),
                name=row["agent"],
                status="" if dip else "open",
                concentration=row["concentration"],
                bath_minutes=plain(row["bath_minutes"]) if dip else "",
                cost=plain(_share(row["cost"], count)),
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )
        if not dip and row["ended_at"] is not None:
            # A moment later than a beginning at the same time, so that the order is plain.
            at = max(row["ended_at"], row["at"] + timedelta(seconds=1))
            detail = {"treatment": str(row["id"]), "name": row["agent"], "status": "done"}
            yield CareEvent(
                specimen=specimen, at=at, what="treatment", detail=detail, by=row["ended_by"]
            )


def _inspection_events(row: Row) -> Iterable[CareEvent]:
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        yield CareEvent(
            specimen=specimen,
            at=row["at"],
            what="inspection",
            detail=_filled(
                inspection=str(row["id"]),
                found=", ".join(row["found"]),
                clean="" if row["found"] else "yes",
                treated=row["treated"],
                minutes=plain(_share(row["work_minutes"], count)),
            ),
            by=row["by"],
        )


def _change_events(row: Row) -> Iterable[CareEvent]:
    """Yield a water change of each specimen in the water, with its share of cost and minutes."""
    count = len(row["specimens"])
    for specimen in row["specimens"]:
        detail = _filled(
            change=str(row["id"]),
            water_system=row["water_system"],
            litres=plain(row["litres"]),
            share=plain(row["share"]),
            cost=plain(_share(row["cost"], count)),
            minutes=plain(_share(row["work_minutes"], count)),
        )
        yield CareEvent(
            specimen=specimen, at=row["at"], what="water-change", detail=detail, by=row["by"]
        )


def _filled(**detail: str) -> dict[str, str]:
    return {name: value for name, value in detail.items() if value}


def _share(whole: float | None, count: int) -> float | None:
    return None if whole is None or not count else whole / count


KINDS: Final[dict[str, Kind]] = {
    "feeding": Kind("feedings", ("feeding",), _feeding_events),
    "treatment": Kind("treatments", ("dip", "treatment"), _treatment_events),
    "inspection": Kind("inspections", ("inspection",), _inspection_events),
    "change": Kind("water_changes", ("water-change",), _change_events),
    "mix": Kind("mixes", (), lambda _: ()),
}
