"""Simulated courses: false alarms and detection of the flags, in short; more in `calibration`."""

from bench.calibration import alarms, coverage, found
from bench.course_kinds import HARMS, QUIET
from bench.rows import Row, Size
from polypward.course import CourseSettings

__all__ = ["measure"]

# Wards in which the flags must be quiet, by the aim; the others are shown.
_AIMED = ("stable", "inflating", "lamp changes")


def measure(size: Size) -> list[Row]:
    """Return the rows of the simulated courses for the table of figures."""
    settings = CourseSettings()
    specimens = max(10, size.courses // 5)
    courses = size.courses // 8
    rows = []
    for ward in QUIET:
        one = alarms(ward, specimens=specimens, a_visit=1, seed=size.seed, settings=settings)
        parts = ", ".join(f"{name} {value:.2f}" for name, value in one.each.items() if value)
        aimed = ward.name in _AIMED
        rows.append(
            Row(
                what=f"false alarms per 100 specimen-weeks, {ward.name}",
                reach="<= 1" if aimed else "",
                measured=f"{one.all:.2f}",
                settings=f"{one.weeks:.0f} simulated specimen-weeks, a photo a visit"
                + (f"; {parts}" if parts else ""),
                reached=one.all <= 1 if aimed else None,
            )
        )
    for harm in HARMS:
        seen = found(harm, courses=courses, a_visit=1, seed=size.seed, settings=settings)
        rows.append(
            Row(
                what=f"{harm.name}: flagged within two visits",
                reach=">= 90 %",
                measured=f"{100 * seen.within_two:.0f} %",
                settings=f"{courses} simulated courses; under its own name "
                f"{100 * seen.named:.0f} %, mean delay {seen.days:.1f} days",
                reached=seen.within_two >= 0.9,
            )
        )
    share, width, told = coverage(courses=1000, seed=size.seed, settings=settings)
    rows.append(
        Row(
            what="90 % interval of recovery holds the truth",
            reach="86-94 %",
            measured=f"{100 * share:.1f} %",
            settings=f"{told} simulated courses; median width {width:.0f} points",
            reached=0.86 <= share <= 0.94,
        )
    )
    return rows
