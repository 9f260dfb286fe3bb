"""How far a specimen's live edge moved between visits, from the cut-outs kept in the ward.

What was worked out is kept in the ledger until one of its tissue maps changes: laying two visits
over each other takes about a second.
"""

import json
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from polypward.course.edge import EdgeAdvance
from polypward.errors import BadInputError
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import digest
from polypward_cli.ward.ledger import dumps

if TYPE_CHECKING:
    from polypward_vision.edge_advance import VisitMap

__all__ = ["EdgeStep", "edge_steps", "keep_edges", "kept_edges"]

# Raised when the same maps give another figure than before.
_METHOD: Final = 3
# Flags at which `score` works out the newest step by itself, and for how long it does so.
_LOSSES: Final = frozenset({"sharp-loss", "recession", "overgrowth"})
_SECONDS: Final = 5.0


@dataclass(frozen=True, slots=True)
class EdgeStep:
    """Advance of the edge between two photos of one view, taken on two days."""

    view: str
    before: datetime
    after: datetime
    found: EdgeAdvance

    @property
    def days(self) -> float:
        """Days between the two."""
        return (self.after - self.before).total_seconds() / 86_400

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        rate = self.found.per_week(self.days)
        return {
            "view": self.view,
            "before": self.before.isoformat(),
            "after": self.after.isoformat(),
            "mm_per_week": rate and round(rate[0], 3),
            "mm_per_week_sd": rate and round(rate[1], 3),
            **asdict(self.found),
        }

    def words(self) -> str:
        """Say it in one line."""
        span = f"{self.view}, {self.before:%Y-%m-%d} to {self.after:%Y-%m-%d}"
        rate = self.found.per_week(self.days)
        if rate is None:
            return f"{span}: not available, because {self.found.missing}"
        what = "live edge drew back by" if rate[0] > 0 else "live edge advanced by"
        told = [
            f"lost {self.found.lost_mm2:.0f}, healed {self.found.healed_mm2:.0f} mm2 "
            f"along {self.found.edge_mm:.0f} mm"
        ]
        if self.found.set_aside_mm2 >= 1:
            told.append(f"{self.found.set_aside_mm2:.0f} mm2 that one map alone shows left out")
        if not self.found.confirmed:
            told.append("not yet confirmed by a visit before and after")
        return f"{span}: {what} {abs(rate[0]):.1f} +- {rate[1]:.1f} mm a week ({'; '.join(told)})"


@dataclass(frozen=True, slots=True)
class _Series:
    """The visits of one specimen and view: the row of one photo each, in the order of days."""

    specimen: str
    view: str
    rows: Sequence[Mapping[str, Any]]

    def stamp(self, at: int) -> str:
        """Name the maps that the step from visit `at` to the next is worked out from."""
        around = self.rows[max(0, at - 1) : at + 3]
        return digest([_METHOD, at > 0, [[r["key"], r["mask"], r["measured_at"]] for r in around]])

    def keys(self, at: int) -> tuple[str, str]:
        """Keys of the photos of a step."""
        return self.rows[at]["key"], self.rows[at + 1]["key"]


def _series(ward: Ward, specimen: str | None = None) -> list[_Series]:
    """Return the visits of one specimen, or of all that have a step kept, by name and view."""
    which = "specimen in (select specimen from edge_steps)" if specimen is None else "specimen = ?"
    rows = ward.db.query(
        "select key, specimen, view, taken_at, tile, mask, measured_at, unsure, correction, "
        f"tile_x_mm, tile_y_mm, tile_mm_per_px from readings where {which} "
        "and measure_code = '' and tile != '' and mask != '' and taken_at is not null "
        "and copy_path = '' and placing not like '%dropped%' order by specimen, taken_at, id",
        [] if specimen is None else [specimen],
    )
    found: dict[tuple[str, str], dict[Any, Mapping[str, Any]]] = defaultdict(dict)
    for row in rows:
        days = found[row["specimen"], "side" if row["view"] == "side" else "top"]
        day = datetime.fromisoformat(row["taken_at"]).astimezone(ward.settings.zone).date()
        # Of the photos of a day the one whose map is least in doubt.
        if day not in days or (row["unsure"] or 0) < (days[day]["unsure"] or 0):
            days[day] = row
    return [
        _Series(name, view, list(days.values()))
        for (name, view), days in sorted(found.items(), key=lambda item: (item[0][0], item[0][1]))
    ]


def _step(ward: Ward, series: _Series, at: int, found: EdgeAdvance) -> EdgeStep:
    before, after = (
        datetime.fromisoformat(row["taken_at"]).astimezone(ward.settings.zone)
        for row in series.rows[at : at + 2]
    )
    return EdgeStep(series.view, before, after, found)


def _kept(ward: Ward, specimen: str | None = None) -> dict[tuple[str, str, str], tuple[str, str]]:
    """Return stamp and finding of the steps kept, by specimen, view and later photo."""
    where, values = ("", []) if specimen is None else ("where specimen = ?", [specimen])
    return {
        (row["specimen"], row["view"], row["after_key"]): (row["stamp"], row["found"])
        for row in ward.db.query(f"select * from edge_steps {where}", values)
    }


def kept_edges(ward: Ward) -> dict[str, tuple[EdgeStep, ...]]:
    """Return the steps that were worked out from the maps as they are now; none is worked out.

    Returns
    -------
    dict of specimen to steps
        By view, top last, and time.
    """
    kept = _kept(ward)
    done: dict[str, list[EdgeStep]] = defaultdict(list)
    for series in _series(ward) if kept else ():
        for at in range(len(series.rows) - 1):
            key = (series.specimen, series.view, series.keys(at)[1])
            stamp, found = kept.get(key, ("", ""))
            if stamp and stamp == series.stamp(at):
                done[series.specimen].append(_step(ward, series, at, _read(found)))
    return {name: tuple(steps) for name, steps in done.items()}


def _read(found: str) -> EdgeAdvance:
    return EdgeAdvance(**json.loads(found))


def edge_steps(ward: Ward, specimen: str, *, last: int = 0) -> list[EdgeStep]:
    """Return the advance of the edge between each visit and the one before, by view and time.

    What is not kept yet is worked out and kept: hold the ward (`Ward.working`) around it.

    Parameters
    ----------
    ward : Ward
    specimen : str
        As it is written in the ward.
    last : int
        Only so many of the newest steps of each view; 0 = all.
    """
    kept = _kept(ward, specimen)
    steps = []
    for series in _series(ward, specimen):
        count = len(series.rows) - 1
        wanted = range(max(0, count - last) if last else 0, count)
        known = {}
        for at in wanted:
            stamp, found = kept.get((specimen, series.view, series.keys(at)[1]), ("", ""))
            if stamp == series.stamp(at):
                known[at] = _read(found)
        missing = [at for at in wanted if at not in known]
        if missing:
            known |= _worked_out(ward, series, missing)
        steps += [_step(ward, series, at, known[at]) for at in wanted]
    return steps


def _worked_out(ward: Ward, series: _Series, steps: Sequence[int]) -> dict[int, EdgeAdvance]:
    """Work out steps from the first of `steps` on, and keep them."""
    from polypward_vision.edge_advance import edge_advances

    # One visit more on either side says which patches of a map are there.
    first = max(0, steps[0] - 1)
    maps = [_loaded(ward, row) for row in series.rows[first:]]
    count = len(series.rows) - 1
    found = edge_advances(maps, last=count - steps[0])
    done = dict(zip(range(steps[0], count), found, strict=True))
    with ward.db.atomic():
        ward.db.table("edge_steps").insert_all(
            (
                {
                    "specimen": series.specimen,
                    "view": series.view,
                    "before_key": series.keys(at)[0],
                    "after_key": series.keys(at)[1],
                    "stamp": series.stamp(at),
                    "found": dumps(asdict(advance)),
                }
                for at, advance in done.items()
            ),
            pk=("specimen", "view", "after_key"),
            replace=True,
        )
    return done


def keep_edges(
    ward: Ward, flagged: Iterable[tuple[str, str, str]], *, photographed: set[str]
) -> None:
    """Work out the newest step of specimens that were just photographed and flagged with a loss.

    Parameters
    ----------
    ward : Ward
        Held for writing.
    flagged : iterable of (specimen, flag, evidence)
        The flags that stand.
    photographed : set of str
        Specimens of this run. After some seconds the rest is left to ``polypward course edge``.
    """
    losing = dict.fromkeys(
        name for name, flag, _ in sorted(flagged, key=lambda one: one[1] != "sharp-loss")
        if flag in _LOSSES and name in photographed
    )  # fmt: skip
    until = time.monotonic() + _SECONDS
    for name in losing:
        if time.monotonic() > until:
            return
        edge_steps(ward, name, last=1)


def _loaded(ward: Ward, row: Mapping[str, Any]) -> "VisitMap | None":
    """Return a kept cut-out with its tissue map, None where its files are gone."""
    import numpy as np
    from PIL import Image

    from polypward_vision.colour.apply import Correction
    from polypward_vision.edge_advance import VisitMap
    from polypward_vision.registration import lightness
    from polypward_vision.tile import TileFrame

    try:
        with Image.open(ward.path / row["tile"], formats=("JPEG",)) as image:
            tile = np.asarray(image.convert("RGB"))
        with Image.open(ward.path / row["mask"], formats=("PNG",)) as image:
            labels = np.asarray(image.convert("L"))
        correction = Correction.from_json(json.loads(row["correction"]))
    except (OSError, BadInputError):
        return None
    frame = TileFrame(
        x_mm=row["tile_x_mm"],
        y_mm=row["tile_y_mm"],
        rows=tile.shape[0],
        cols=tile.shape[1],
        mm_per_px=row["tile_mm_per_px"],
    )
    lab = correction.to_lab(tile, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px)
    return VisitMap(
        light=lightness(lab), labels=labels, frame=frame, unsure=float(row["unsure"] or 0.0)
    )
