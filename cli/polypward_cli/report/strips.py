"""The cut-outs of a specimen in time, by view, all at one scale about one middle."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, tzinfo
from typing import TYPE_CHECKING

from polypward.records import CareEvent, Reading
from polypward_cli.report import words
from polypward_cli.report.cutouts import CutOut
from polypward_cli.report.details import opening
from polypward_cli.report.views import CutOutView, StripView

if TYPE_CHECKING:
    from polypward.course import Course
    from polypward_cli.edges import EdgeStep

__all__ = ["CUTOUTS", "Desk", "by_time", "strips_of"]

CUTOUTS = "cutouts"
# The square of a strip is this much wider than its largest specimen; the pictures have more room,
# so that smaller ones still fill it.
ROOM = 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What all specimens of one report have in common.

    `doses` are of each specimen's water, `edges` the steps of its live edge, by specimen.
    """

    today: date
    zone: tzinfo
    pages: Mapping[str, str]
    cutouts: Mapping[str, CutOut]
    doses: Mapping[str, Sequence[CareEvent]] = field(default_factory=dict)
    edges: "Mapping[str, Sequence[EdgeStep]]" = field(default_factory=dict)


def strips_of(
    course: "Course", name: str, desk: Desk
) -> tuple[tuple[StripView, ...], CutOutView | None]:
    """Return a strip for each view that has cut-outs, from the top first, and the newest cut-out.

    Like stands beside like: each view has a strip of its own.
    """
    shown = [
        (reading, desk.cutouts[reading.tile])
        for reading in by_time(course.readings)
        if reading.status == "accepted" and reading.taken_at and reading.tile in desk.cutouts
    ]
    strips = []
    for key, title in (("top", "From above"), ("side", "From the side")):
        own = [pair for pair in shown if (pair[0].view == "side") == (key == "side")]
        if not own:
            continue
        half_mm = max((_reach_mm(reading, cut) for reading, cut in own), default=0.0)
        strips.append(
            StripView(
                key=key,
                title=title,
                side_mm=round(2 * half_mm) or None,
                cutouts=tuple(_view(reading, cut, name, desk, half_mm) for reading, cut in own),
            )
        )
    latest = _view(*shown[-1], name, desk, 0.0) if shown else None
    return tuple(strips), latest


def by_time(readings: Sequence[Reading]) -> list[Reading]:
    """Return readings in the order of time, those without one first."""
    return sorted(readings, key=lambda r: (r.taken_at.timestamp() if r.taken_at else 0.0, r.photo))


def _reach_mm(reading: Reading, cut: CutOut) -> float:
    """How far a cut-out is worth showing from its middle; 0 where its scale is not known."""
    left, top, width, height = cut.frame
    reach = max(-left, -top, left + width, top + height)
    if cut.body_px:
        reach = min(reach, ROOM * cut.body_px / 2)
    return reach * (reading.tile_mm_per_px or 0.0)


def _view(reading: Reading, cut: CutOut, name: str, desk: Desk, half_mm: float) -> CutOutView:
    assert reading.taken_at is not None
    on = words.day(reading.taken_at.astimezone(desk.zone).date())
    cover = "" if reading.live_cover is None else f"cover {100 * reading.live_cover:.0f} %"
    said = ", ".join(part for part in (cover, opening(reading.open)) if part)
    seen = f"{name} on {on}{' from the side' if reading.view == 'side' else ''}"
    return CutOutView(
        src=f"{CUTOUTS}/{cut.file}",
        style=_style(cut, reading.tile_mm_per_px, half_mm),
        width=cut.width,
        height=cut.height,
        outlines=cut.outlines,
        day=on,
        words=said,
        alt=f"{seen}{', ' + said if said else ''}",
    )


def _style(cut: CutOut, mm_per_px: float | None, half_mm: float) -> str:
    """Return where a cut-out lies in a square of 2 `half_mm`, as CSS in per cent of it."""
    if not mm_per_px or not half_mm:
        return ""
    left, top, width, height = (round(50 * edge * mm_per_px / half_mm, 2) for edge in cut.frame)
    return f"left:{50 + left:g}%;top:{50 + top:g}%;width:{width:g}%;height:{height:g}%"
