"""Photo readings with a known truth, weekly from 2 January 2026, 10:00 UTC."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from polypward.course import Course, CourseSettings, PooledSd, score_specimen
from polypward.records import CareEvent, Reading, Specimen

START = datetime(2026, 1, 2, 10, tzinfo=UTC)
RICH = (45.0, 5.0, 20.0)
WHITE = (90.0, 0.0, 8.0)

Make = Callable[..., Reading]
Score = Callable[..., Course]


def toward_white(index: float) -> tuple[float, float, float]:
    """Colour at this paling index between RICH and WHITE."""
    light, red, yellow = (r + index * (w - r) for r, w in zip(RICH, WHITE, strict=True))
    return light, red, yellow


@pytest.fixture
def photo() -> Make:
    """Make a reading: `day`, live `cover`, `overgrown` share, `lab`, whole area in mm2."""

    def make(
        day: float,
        cover: float | None = 0.94,
        *,
        overgrown: float = 0.0,
        lab: tuple[float, float, float] | None = RICH,
        area: float = 1000.0,
        **more: Any,
    ) -> Reading:
        view = more.get("view", "")
        fields: dict[str, Any] = {
            "photo": f"A/{day}{view}.jpg",
            "sha256": f"{day}{view}",
            "specimen": "A",
            "taken_at": START + timedelta(days=day),
            "colour_grade": "relative" if lab else "refused",
            "live_mm2": None if cover is None else area * cover,
            "live_mm2_sd": 10.0,
            "bare_mm2": None if cover is None else area * (1 - cover - overgrown),
            "overgrown_mm2": area * overgrown,
            "live_cover": cover,
            "live_cover_sd": 0.005,
        }
        if lab:
            fields |= {"L": lab[0], "a": lab[1], "b": lab[2], "lab_sd": 0.5}
        return Reading(**(fields | more))

    return make


@pytest.fixture
def score() -> Score:
    """Score readings of specimen A; today is the day of the last photo unless given."""

    def run(
        readings: Sequence[Reading],
        *,
        care: Sequence[CareEvent] = (),
        specimen: Specimen | None = None,
        pooled: PooledSd | None = None,
        settings: CourseSettings | None = None,
        today: date | None = None,
    ) -> Course:
        times = [r.taken_at for r in readings if r.taken_at is not None]
        return score_specimen(
            readings,
            specimen=specimen or Specimen(specimen="A"),
            care=care,
            pooled=pooled,
            settings=settings or CourseSettings(),
            today=today or (max(times).date() if times else START.date()),
        )

    return run


@pytest.fixture
def care() -> Callable[..., CareEvent]:
    """Make a care event of specimen A at a day counted from the first visit."""

    def make(day: float, what: str, **detail: str) -> CareEvent:
        return CareEvent(specimen="A", at=START + timedelta(days=day), what=what, detail=detail)

    return make
