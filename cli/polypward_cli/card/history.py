"""The ward's cards through time: a chart for each serial and lamp, and which were retired."""

import json
from collections import defaultdict
from datetime import datetime
from typing import TYPE_CHECKING, Any

from polypward.errors import BadInputError
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import audit, dumps, now_text
from polypward_cli.ward.rows import residuals_of

if TYPE_CHECKING:
    from polypward.cards.fading import CardChart

__all__ = [
    "bridges",
    "card_charts",
    "change_of",
    "described",
    "events_of",
    "retire_card",
    "retired",
]


def card_charts(ward: Ward, *, serial: str = "") -> dict[tuple[str, str], "CardChart"]:
    """Return the chart of every card (or of one) under every lamp, by serial and lamp."""
    from polypward.cards import load_layout
    from polypward.cards.fading import chart_card

    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in ward.db.query(
        "select card, card_serial, lamp, taken_at, patch_residuals from readings "
        "where patch_residuals is not null and card_serial != '' and light_changed = 0 "
        "and measure_code = '' and copy_path = '' and taken_at is not null "
        "and (? = '' or card_serial = ?) order by taken_at, key",
        [serial, serial],
    ):
        groups[row["card_serial"], row["lamp"]].append(row)
    charts = {}
    for key, rows in sorted(groups.items()):
        names = [patch.name for patch in load_layout(rows[-1]["card"]).patches]
        kept = [
            (datetime.fromisoformat(row["taken_at"]), one)
            for row in rows
            if (one := residuals_of(row["patch_residuals"])).shape == (len(names), 3)
        ]
        charts[key] = chart_card([at for at, _ in kept], [one for _, one in kept], names=names)
    return charts


def described(ward: Ward, charts: dict[tuple[str, str], "CardChart"]) -> list[str]:
    """Say in lines what the charts show."""
    from polypward.cards.fading import BASELINE

    gone = retired(ward)
    lines = []
    for (serial, lamp), chart in charts.items():
        name = f"{serial}, lamp {lamp}" if lamp else serial
        name += f", retired {gone[serial]['at'][:10]}" if serial in gone else ""
        if not chart.ready:
            lines.append(f"{name}: {chart.photos} photos; its chart begins after {BASELINE}.")
            continue
        last = chart.points[-1]
        figures = f"drift {last.drift_de:.1f} dE, limit {last.limit_de:.1f}, {chart.photos} photos"
        if chart.since is None:
            lines.append(f"{name}: as when it was new ({figures}).")
            continue
        since = chart.since.astimezone(ward.settings.zone).date().isoformat()
        lines.append(f"{name}: changed since {since} ({figures}). Most changed:")
        for patch, (light, red, yellow) in chart.patches:
            lines.append(f"    {patch}: L {light:+.1f}, a {red:+.1f}, b {yellow:+.1f}")
    return lines


def change_of(ward: Ward, serial: str) -> str:
    """Return a sentence about a card that has changed and is still in use, "" else."""
    if serial in retired(ward):
        return ""
    for chart in card_charts(ward, serial=serial).values():
        if chart.since is not None:
            since = chart.since.astimezone(ward.settings.zone).date().isoformat()
            return (
                f"The card {serial} has changed since {since}: faded, stained or wet. Print a new "
                f"one and bridge to it: polypward card compare FOLDER --known {serial} --new SERIAL"
            )
    return ""


def events_of(ward: Ward) -> list[dict[str, Any]]:
    """Return what was noted of cards, by time."""
    return [
        {**row, "detail": json.loads(row["detail"])}
        for row in ward.db.query("select * from card_events order by at, id")
    ]


def retired(ward: Ward) -> dict[str, dict[str, Any]]:
    """Return the cards that are out of use, by serial, with the event that says so."""
    out: dict[str, dict[str, Any]] = {}
    for event in events_of(ward):
        if event["what"] == "retired":
            out[event["serial"]] = event
        elif event["what"] == "in use":
            out.pop(event["serial"], None)
    return out


def bridges(ward: Ward) -> dict[str, str]:
    """Return, of each card whose values came from another of the ward, the first of that chain."""
    known = {
        event["serial"]: str(event["detail"]["known"])
        for event in events_of(ward)
        if event["what"] == "bridged"
    }
    roots = {}
    for serial in known:
        root, passed = serial, {serial}
        while root in known and known[root] not in passed:
            root = known[root]
            passed.add(root)
        roots[serial] = root
    return roots


def retire_card(ward: Ward, serial: str, *, by: str = "", back: bool = False) -> None:
    """Note that a card is out of use from now on, or in use again.

    Raises
    ------
    BadInputError
        If the ward knows no card of this serial.
    """
    known = {card.serial for card in ward.cards()}
    known |= {row["card_serial"] for row in ward.db.query("select card_serial from readings")}
    if serial not in known - {""}:
        told = ", ".join(sorted(known - {""})) or "none"
        raise BadInputError(f"{serial}: no card of this ward; it knows {told}")
    what = "in use" if back else "retired"
    with ward.db.atomic():
        ward.db.table("card_events").insert(
            {"serial": serial, "at": now_text(), "what": what, "detail": dumps({}), "by": by}
        )
        audit(ward.db, f"card {what}", serial, new={"by": by} if by else None)
