"""The edge's advance is worked out once, kept, and forgotten when a tissue map changes."""

from collections.abc import Sequence
from typing import Any

import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import photo

import polypward_vision.edge_advance
from polypward.course.edge import EdgeAdvance
from polypward_cli.edges import edge_steps, keep_edges, kept_edges

ADVANCE = EdgeAdvance(advance_mm=2.0, sd_mm=0.5, lost_mm2=60.0, healed_mm2=0.0, edge_mm=30.0)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Stand in for the work on pictures; count the maps and steps that were asked for."""
    calls: list[tuple[int, int]] = []

    def advances(maps: Sequence[Any], *, last: int = 0) -> list[EdgeAdvance]:
        calls.append((len(maps), last))
        return [ADVANCE] * last

    monkeypatch.setattr(polypward_vision.edge_advance, "edge_advances", advances)
    return calls


@pytest.fixture
def four(desk: Desk) -> Desk:
    """Photograph one specimen four times, two weeks apart."""
    for visit in range(4):
        day = f"2026-04-{1 + 7 * visit:02d}T10:00:00+02:00"
        photo(desk.photos / "ann" / f"{visit}.jpg", day)
    desk.score()
    return desk


def test_a_step_is_worked_out_once(four: Desk, asked: list[tuple[int, int]]) -> None:
    with four.ward() as ward, ward.working("course"):
        assert kept_edges(ward) == {}
        (newest,) = edge_steps(ward, "ann", last=1)
        # The newest step, and the visit before it to check its map by.
        assert asked == [(3, 1)]
        assert newest.found.per_week(newest.days) == pytest.approx((2.0, 0.5))
        assert "drew back by 2.0 +- 0.5 mm a week" in newest.words()
        assert edge_steps(ward, "ann", last=1) == [newest]
        assert len(asked) == 1
        assert len(edge_steps(ward, "ann")) == 3
        assert kept_edges(ward)["ann"][-1] == newest
        assert len(kept_edges(ward)["ann"]) == 3


def test_a_new_visit_lets_the_last_step_be_worked_out_anew(
    four: Desk, asked: list[tuple[int, int]]
) -> None:
    """The visit after it says which of its patches are there: the figure may change."""
    with four.ward() as ward, ward.working("course"):
        edge_steps(ward, "ann")
    photo(four.photos / "ann" / "4.jpg", "2026-05-02T10:00:00+02:00")
    four.score()
    with four.ward() as ward, ward.working("course"):
        assert len(kept_edges(ward)["ann"]) == 2
        edge_steps(ward, "ann")
        assert asked[-1] == (4, 2)
        ward.db.execute(
            "update readings set mask = 'masks/painted.png' where taken_at like '%-15%'"
        )
        # A map that was corrected takes part in every step of a neighbour.
        assert kept_edges(ward) == {}


def test_a_run_works_out_what_was_photographed_and_lost(
    four: Desk, asked: list[tuple[int, int]]
) -> None:
    flags = [("ann", "paling", ""), ("bea", "recession", ""), ("ann", "overgrowth", "")]
    with four.ward() as ward, ward.working("score"):
        keep_edges(ward, flags[:2], photographed={"ann"})
        assert asked == []
        keep_edges(ward, flags, photographed={"ann"})
    assert asked == [(3, 1)]


def test_cut_outs_that_cannot_be_read_are_no_figure(four: Desk) -> None:
    with four.ward() as ward, ward.working("course"):
        for step in edge_steps(ward, "ann"):
            assert step.words().endswith("is gone from the ward's folder")
