"""What a course says, in lines for the terminal."""

from collections.abc import Iterator
from typing import Any

from polypward.course import Course, CourseSettings, PooledSd, Trend, smallest_change

__all__ = ["as_json", "repeat_rows", "told_course", "told_recovery", "told_repeat", "told_visits"]


def told_recovery(course: Course) -> str:
    """Say the recovery for a person: "won back 40 % of what was missing (90 %: 25 to 52)"."""
    score = course.score
    if score.recovery is None or score.recovery_low is None or score.recovery_high is None:
        if score.condition is None or score.condition_intake is None:
            return "not available: no condition yet, which needs cover and colour"
        if score.visits < 2:
            return "not available after one visit"
        return "not available: less than 10 points of condition to gain or to lose since intake"
    low, high = score.recovery_low, score.recovery_high
    if score.recovery >= 0:
        said = f"won back {score.recovery:z.0f} % of what was missing"
        return f"{said} (90 %: {low:z.0f} to {high:z.0f})"
    said = f"lost {-score.recovery:.0f} % of what it had"
    return f"{said} (90 %: {-high:z.0f} to {-low:z.0f})"


def _told_trend(trend: Trend, measure: str) -> str:
    points = measure.startswith("condition")
    scale, unit, places = (1.0, "points", 1) if points else (100.0, "%", 1)

    def said(value: float | None) -> str:
        return "n/a" if value is None else f"{scale * value:+z.{places}f}"

    return (
        f"{said(trend.per_week)} {unit} a week (90 %: {said(trend.low)} to {said(trend.high)}; "
        f"{trend.n} visits in {trend.days} days, p = {trend.p:.2g})"
    )


def _told_smallest(course: Course) -> Iterator[str]:
    """Yield the smallest change of each measure that two visits can show."""
    for measure, change in course.smallest_changes.items():
        if measure == "colour" and "paling" in course.smallest_changes:
            continue
        told = f"{change:.1f} Lab" if measure == "colour" else f"{100 * change:.1f} %"
        yield f"{measure} {told}"


def told_course(course: Course) -> Iterator[str]:
    """Yield the lines of a course: condition, recovery, trends, flags with their dates, advice."""
    score = course.score
    sd = "" if score.condition_sd is None else f" +- {score.condition_sd:.0f}"
    told = "not available" if score.condition is None else f"{score.condition:.0f}{sd} of 100"
    yield f"{course.specimen}: {score.visits} visits, photo condition {told}"
    yield f"  recovery       {told_recovery(course)}"
    for measure, trend in course.trends.items():
        yield f"  {measure:<14} {_told_trend(trend, measure)}"
    if course.smallest_changes:
        yield f"  smallest change told from noise: {', '.join(_told_smallest(course))}"
    for part in course.trend_parts:
        what = f"after {part.began}" if part.began else "before"
        rate = "fewer than three visits"
        if part.trend is not None:
            rate = _told_trend(part.trend, part.measure)
        yield f"    {part.measure}, {what} ({part.since} to {part.until}): {rate}"
    for flag in course.flags:
        state = "stands" if flag.standing else f"cleared {flag.cleared_on}"
        could = (
            f", could have been raised from {flag.could_raise_on}" if flag.could_raise_on else ""
        )
        yield f"  {flag.name}: {flag.evidence} (raised {flag.raised_on}{could}; {state})"
    advice = course.advice
    yield f"  advice: {advice.what or 'none'}. {advice.reason}"
    if advice.changes:
        yield f"    what would change it: {advice.changes}"
    if advice.worth:
        yield f"    {advice.worth}"
    if advice.next_photo_on:
        yield f"    next photo: {advice.next_photo_on}. A person decides."
    for note in course.notes:
        yield f"  {note}"


def told_visits(course: Course) -> Iterator[str]:
    """Yield a line for each visit: its figures, and what keeps it from being compared."""
    several = len({visit.view for visit in course.visits}) > 1

    def said(value: float | None, *, scale: float = 100.0, places: int = 0) -> str:
        return "n/a" if value is None else f"{scale * value:.{places}f}"

    yield "  visits: live cover %, overgrown %, paling %, photo condition"
    for visit in course.visits:
        figures = (
            said(visit.live_cover),
            said(visit.overgrown_share),
            said(visit.paling),
            said(visit.condition, scale=1.0),
        )
        marks: list[str] = [visit.view] if several else []
        marks += [f"polyps {visit.open}"] if visit.open and not visit.unlike else []
        marks += ["handled shortly before: colour not charted"] if visit.handled else []
        marks += [f"{visit.unlike}: colour not charted"] if visit.unlike else []
        lit = visit.lab is not None and visit.light is None
        marks += ["under another light: colour not charted"] if lit else []
        cells = " ".join(f"{figure:>5}" for figure in figures)
        yield f"    {visit.day} {cells}  {'; '.join(marks)}".rstrip()


def as_json(course: Course) -> dict[str, Any]:
    """Return a course as JSON values."""
    from dataclasses import asdict

    return {
        "specimen": course.specimen,
        "score": asdict(course.score),
        "recovery_words": told_recovery(course),
        "trends": {name: asdict(trend) for name, trend in course.trends.items()},
        "trend_parts": [asdict(part) for part in course.trend_parts],
        "flags": [asdict(flag) for flag in course.flags],
        "advice": asdict(course.advice),
        "could_raise": dict(course.could_raise),
        "smallest_changes": dict(course.smallest_changes),
        "prospect": course.prospect and asdict(course.prospect),
        "notes": list(course.notes),
        "visits": [asdict(visit) for visit in course.visits],
    }


def repeat_rows(pooled: PooledSd, settings: CourseSettings | None = None) -> list[dict[str, Any]]:
    """Return each measure's repeatability: SD, degrees of freedom, smallest change told from noise.

    `unit` is a share of the specimen for cover and overgrown, of the area for area (relative), and
    Lab units for colour. `ward_sd` is what the ward's own photos and visits repeat to (None = fewer
    than 20 repeats), `floor` what a photo is never trusted beyond; `sd` is the larger of the two.
    """
    settings = settings or CourseSettings()
    cover, grown, lab = settings.cover_floor, settings.overgrown_floor, settings.lab_floor_known
    measures: list[tuple[str, str, float | None, int | None, float | None, float]] = [
        ("live cover", "share", pooled.cover_within, pooled.cover_df, pooled.cover, cover),
        ("overgrown", "share", pooled.overgrown_within, pooled.overgrown_df,
         pooled.overgrown, grown),
        ("live area", "of itself", pooled.area_within, pooled.area_df, pooled.area, 0.0),
        ("colour", "Lab", pooled.lab_within, pooled.lab_df, pooled.lab, lab),
        *(
            (f"live cover from {band:.2f}", "share", None, None, sd, cover)
            for band, sd in sorted(pooled.cover_by_band.items())
        ),
    ]  # fmt: skip
    rows: list[dict[str, Any]] = []
    for name, unit, within, df, own, floor in measures:
        sd = None if own is None else max(own, floor)
        rows.append(
            {
                "measure": name,
                "unit": unit,
                "same_day_sd": within,
                "same_day_df": df,
                "ward_sd": own,
                "floor": floor,
                "sd": sd,
                "smallest_change": None if sd is None else smallest_change(sd),
            }
        )
    return rows


def told_repeat(pooled: PooledSd, settings: CourseSettings | None = None) -> Iterator[str]:
    """Yield a line for each measure."""
    for row in repeat_rows(pooled, settings):
        if row["sd"] is None:
            yield (
                f"  {row['measure']:<22} not available: {row['same_day_df']} repeats on one day "
                "so far, 20 are needed, or as many runs of three visits"
            )
            continue
        scale, unit = (1.0, "Lab") if row["unit"] == "Lab" else (100.0, "%")
        sd = f"SD {scale * row['sd']:.1f}"
        if row["ward_sd"] < row["floor"]:
            sd += f", the least that is trusted; here {scale * row['ward_sd']:.1f} so far"
        yield f"  {row['measure']:<22} {scale * row['smallest_change']:.1f} {unit}  ({sd})"
