"""Photos without a card: areas and cover by the scale that is said, and never any colour."""

from dataclasses import dataclass, replace

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, FakeSeen, photo

from polypward_cli.manifest import Manifest
from polypward_cli.report import build_report


@dataclass(frozen=True)
class Eyes(FakeEyes):
    """With a scale it sees no card, as the real ones do."""

    def measure(self, opened, *, settings, **known) -> FakeSeen:
        seen = super().measure(opened, settings=settings, **known)
        if settings.mm_per_px is None:
            return seen
        bare = replace(
            seen.reading, card="", card_serial="", colour_grade="refused", L=None, a=None, b=None,
            live_palette=None, lab_sd=None, mm_per_px=settings.mm_per_px,
            reasons=("no-card-scale", "no-height"),
        )  # fmt: skip
        return replace(seen, reading=bare, patch_residuals=None)


@pytest.fixture
def scored(desk: Desk) -> tuple[Desk, list[str]]:
    desk.eyes = Eyes()
    for week in range(4):
        day = f"2026-05-{4 + 7 * week:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"{week}.jpg", day, cover=0.9, L=45 + week)
    closing = desk.score(manifest=Manifest({"amber/2.jpg": {"mm_per_px": 0.07}}))
    return desk, list(closing.lines())


def test_it_is_said_wherever_the_photo_is_shown(scored) -> None:
    desk, lines = scored
    assert "1 photo without a card, by the scale given: no colour from them." in lines
    with desk.ward() as ward:
        page = build_report(ward).parent
    shown = "".join(path.read_text("utf-8") for path in page.rglob("*.html"))
    assert "Measured without a card, by the scale given." in shown
    assert "<td>no card</td>" in shown
    assert "no-card-scale" in (desk.path / "readings.csv").read_text("utf-8")


def test_it_is_in_no_colour_trend(scored) -> None:
    # Truth: of four visits with one free of colour, three have colour, and area and cover all four.
    desk, _ = scored
    with desk.ward() as ward:
        course = ward.courses()["amber"]
    assert [visit.lab is None for visit in course.visits] == [False, False, True, False]
    assert [visit.live_cover for visit in course.visits] == [0.9] * 4
    [bare] = [one for one in course.readings if "no-card-scale" in one.reasons]
    assert (bare.paling, bare.paling_sd, bare.pale_mm2, bare.L) == (None, None, None, None)
