"""What a bench prints: one row per figure, and the settings that all of them share."""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Row", "Size", "as_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure: what was measured, what it should reach, what it reached, and under what."""

    what: str
    reach: str
    measured: str
    settings: str
    reached: bool | None = None  # None: nothing to reach, shown for information


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How much is measured. The defaults end within ten minutes on two cores."""

    seed: int = 20260
    jobs: int = 2  # processes; timed rows use one
    photos: int = 60  # rendered specimens for area, cover, tissue map and colour
    poses: int = 60  # photos for finding the card, half of each layout
    prints: int = 6  # photos per print error and kind of light
    timed: int = 8  # 12-megapixel photos timed
    folder: int = 8  # photos scored by one and by two workers
    loops: int = 60  # photos read in one process for its memory
    courses: int = 400  # simulated specimens
    specimens: int = 2000  # of the large ward
    visits: int = 30
    growth: tuple[int, ...] = (100, 1_000, 10_000, 100_000)  # readings of the wards that grow

    @classmethod
    def quick(cls) -> "Size":
        """Return a size that only shows that everything runs."""
        return cls(
            photos=6,
            poses=16,
            prints=2,
            timed=3,
            folder=4,
            loops=12,
            courses=60,
            specimens=100,
            visits=10,
            growth=(100, 1_000),
        )


def as_table(rows: Sequence[Row]) -> str:
    """Return the rows as a Markdown table, a mark in front of what is not reached."""
    lines = ["| | what | reach | measured | settings |", "| --- | --- | --- | --- | --- |"]
    for row in rows:
        mark = {True: "reached", False: "NOT YET", None: ""}[row.reached]
        lines.append(f"| {mark} | {row.what} | {row.reach} | {row.measured} | {row.settings} |")
    return "\n".join(lines)
