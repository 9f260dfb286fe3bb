"""The first page: who needs someone today, who comes back, who can be sold, and the photos."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from polypward.reasons import REASONS
from polypward.records import Reading, Specimen
from polypward_cli.report import words
from polypward_cli.report.views import IndexView, PhotoView, ReasonView, SpecimenView
from polypward_cli.report.ward_page import amount
from polypward_cli.report.ward_views import WardPageView

__all__ = ["index_view"]


def index_view(
    views: Sequence[SpecimenView],
    *,
    specimens: Sequence[Specimen],
    readings: Sequence[Reading],
    scored: str,
    page: WardPageView,
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
    page : WardPageView
        The ward's page, which has the lines of money and water.
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
        money=" ".join(
            part for part in (page.money, _ready(views, specimens, page.currency)) if part
        ),
        water=page.water,
        prices=_prices(views, specimens, page.currency),
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


def _ready(views: Sequence[SpecimenView], specimens: Sequence[Specimen], currency: str) -> str:
    """Return what those that can be sold are expected to bring, "" where no price is known."""
    ready = [view.name for view in views if view.group == "sale"]
    price = {one.specimen: one.expected_price for one in specimens}
    known = [value for name in ready if (value := price[name]) is not None]
    if not known:
        return ""
    some = "" if len(known) == len(ready) else f" ({len(known)} of {len(ready)} have a price)"
    return f"Can be sold now: {amount(sum(known), currency)} expected{some}."


def _prices(views: Sequence[SpecimenView], specimens: Sequence[Specimen], currency: str) -> str:
    """Return what the register's prices add up to, or nothing where it names none."""
    group = {view.name: view.group for view in views}
    state = {one.specimen: one.state for one in specimens}
    expected = {s.specimen: s.expected_price for s in specimens if s.expected_price is not None}
    cost = {s.specimen: s.cost for s in specimens if s.cost is not None}
    held = [price for name, price in expected.items() if group[name] != "left"]
    gone = [price for name, price in cost.items() if state[name] in ("lost", "discarded")]
    parts = []
    if held:
        parts.append(
            f"on the tables: {amount(sum(held), currency)} expected for "
            f"{words.counted(len(held), 'specimen')}"
        )
    if gone:
        parts.append(f"lost or discarded: {amount(sum(gone), currency)} of cost")
    return f"By the register's prices, {'; '.join(parts)}." if parts else ""


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
