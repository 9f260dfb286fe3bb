"""The first page: who needs someone today, who comes back, who can be sold, and the photos."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from polypward.reasons import REASONS
from polypward.records import Reading, Specimen
from polypward_cli.report import words
from polypward_cli.report.views import IndexView, PhotoView, ReasonView, SpecimenView

__all__ = ["index_view"]


def index_view(
    views: Sequence[SpecimenView],
    *,
    specimens: Sequence[Specimen],
    readings: Sequence[Reading],
    scored: str,
    claims: str = "",
) -> IndexView:
    """Return the first page.

    Parameters
    ----------
    views : sequence of SpecimenView
        Every specimen, in the order of names.
    specimens : sequence of Specimen
        The same specimens, for their prices.
    readings : sequence of Reading
        Every reading of the ward, those without a specimen among them.
    scored : str
        When photos were scored last, as a sentence.
    claims : str
        What was claimed, credited and is still open, as a sentence; "" if nothing.
    """
    groups: dict[str, list[SpecimenView]] = defaultdict(list)
    for view in views:
        groups[view.group].append(view)
    rejected = [reading for reading in readings if reading.status == "rejected"]
    counted = len(readings) - len(rejected)
    here = len(views) - len(groups["left"])
    return IndexView(
        summary=_summary(here, groups),
        scored=scored,
        money=" ".join(part for part in (_money(views, specimens), claims) if part),
        photo_summary=f"{words.counted(counted, 'photo')} counted, {len(rejected)} not counted.",
        needs=sorted(groups["needs"], key=_urgency),
        back=groups["back"],
        sale=groups["sale"],
        sale_recovered=any(view.recovered for view in groups["sale"]),
        steady=groups["steady"],
        left=groups["left"],
        due=sorted((v for v in views if v.due or v.overdue), key=lambda v: not v.overdue),
        rejected=len(rejected),
        reasons=_reasons(rejected, named=True),
        notes=_reasons((r for r in readings if r.status == "accepted"), named=False),
    )


def _urgency(view: SpecimenView) -> tuple[bool, int, str]:
    return (not view.urgent, 101 if view.condition is None else view.condition, view.name)


def _summary(here: int, groups: dict[str, list[SpecimenView]]) -> str:
    if not here:
        return "No specimen is on the tables."
    needs = len(groups["needs"])
    parts = [
        f"{needs} {'needs' if needs == 1 else 'need'} someone today",
        f"{len(groups['back'])} coming back",
        f"{len(groups['sale'])} can be sold",
        f"{len(groups['steady'])} with nothing asked",
    ]
    return f"{words.counted(here, 'specimen')} on the tables: {', '.join(parts)}."


def _money(views: Sequence[SpecimenView], specimens: Sequence[Specimen]) -> str:
    """Return what the register's prices add up to, or nothing where it names none."""
    group = {view.name: view.group for view in views}
    state = {one.specimen: one.state for one in specimens}
    expected = {s.specimen: s.expected_price for s in specimens if s.expected_price is not None}
    cost = {s.specimen: s.cost for s in specimens if s.cost is not None}
    ready = [price for name, price in expected.items() if group[name] == "sale"]
    held = [price for name, price in expected.items() if group[name] != "left"]
    gone = [price for name, price in cost.items() if state[name] in ("lost", "discarded")]
    parts = []
    if ready:
        parts.append(f"can be sold now: {_sum(ready)} expected")
    if held:
        parts.append(
            f"on the tables: {_sum(held)} expected for {words.counted(len(held), 'specimen')}"
        )
    if gone:
        parts.append(f"lost or discarded: {_sum(gone)} of cost")
    return f"By the register's prices, {'; '.join(parts)}." if parts else ""


def _sum(prices: Sequence[float]) -> str:
    return f"{sum(prices):,.2f}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _reasons(readings: Iterable[Reading], *, named: bool) -> list[ReasonView]:
    """Return the readings' reasons, the most frequent first; with `named`, photo by photo."""
    found: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        for code in reading.reasons:
            found[code].append(reading)
    return [
        ReasonView(
            means=REASONS[code].means if code in REASONS else code,
            do=REASONS[code].do if code in REASONS else "",
            count=len(carrying),
            photos=[
                PhotoView(photo=r.photo, specimen=r.specimen, detail=r.detail) for r in carrying
            ]
            if named
            else (),
        )
        for code, carrying in sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    ]
