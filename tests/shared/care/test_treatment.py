from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from polypward.care import ago, bath_faults, nearest_bath
from polypward.records import CareEvent

NOW = datetime(2024, 3, 10, 12, tzinfo=UTC)


def event(what: str, hours_ago: float, **detail: str) -> CareEvent:
    return CareEvent(specimen="a", at=NOW - timedelta(hours=hours_ago), what=what, detail=detail)


def test_the_nearest_bath_within_the_hours_is_found_on_both_sides() -> None:
    events = [event("dip", 60), event("dip", 20), event("feeding", 1), event("treatment", -30)]
    assert nearest_bath(events, at=NOW, hours=48) == events[1]
    assert nearest_bath(events, at=NOW, hours=10) is None
    assert nearest_bath(events[3:], at=NOW, hours=48) == events[3]


def test_ending_a_treatment_is_no_new_one() -> None:
    assert nearest_bath([event("treatment", 2, status="done")], at=NOW, hours=48) is None


def test_the_edge_of_the_hours_counts() -> None:
    assert nearest_bath([event("dip", 48)], at=NOW, hours=48) is not None
    assert nearest_bath([event("dip", 48.01)], at=NOW, hours=48) is None


@pytest.mark.parametrize(
    ("hours", "told"),
    [
        (0.001, "just now"),
        (0.5, "30 min ago"),
        (1.6, "96 min ago"),
        (20.2, "20 h ago"),
        (47.9, "48 h ago"),
        (72, "3 days ago"),
        (-0.5, "30 min later"),
    ],
)
def test_how_long_ago_is_told_in_the_unit_one_would_say(hours: float, told: str) -> None:
    assert ago(timedelta(hours=hours)) == told


def test_impossible_baths_are_named_with_their_range() -> None:
    assert bath_faults(litres=4, minutes=10, temperature_c=25) == []
    assert bath_faults() == []
    faults = bath_faults(litres=-1, minutes=float("nan"), temperature_c=78)
    assert [fault.split(" must")[0] for fault in faults] == [
        "bath volume",
        "time in the bath",
        "temperature",
    ]
    assert "from 4 to 40 degC, got 78" in faults[2]


def test_no_dose_of_any_medicine_is_built_in(root: Path) -> None:
    """Neither the rules nor the texts of cautions state a number with a unit of concentration."""
    import re

    folders = (root / "shared/polypward/care", root / "cli/polypward_cli/caring")
    files = [path for folder in folders for path in folder.glob("*.py")]
    files.append(root / "shared/polypward/facts/cautions.toml")
    for path in files:
        text = path.read_text("utf-8")
        assert not re.search(r"\d\s*(mg|g|ml|mL|drops?|ppm|%)\s*(/|per)\s*(L|l|gal|litre)", text), (
            path
        )
