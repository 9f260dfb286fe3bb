"""Charts that were drawn once and are kept in the ward, so that a report only copies them.

A chart is kept under a digest of all that it is drawn from, so one that would come out the same is
never drawn again, and one that is kept is never wrong. A file holds the charts of one specimen; it
is left out of backups, and made again where it is missing or damaged.
"""

import json
import re
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from functools import partial
from hashlib import sha256
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from polypward_cli import workers
from polypward_cli.files import write_bytes
from polypward_cli.report.drawing import Drawing, draw
from polypward_cli.report.views import ChartView

__all__ = ["CHARTS", "Drawn", "charts_in"]

CHARTS: Final = "charts"  # folder of the ward
_Drawing = Callable[[list[str]], Callable[[], list[str]]]
_TOGETHER: Final = 8  # names whose charts are drawn in one go: a fifth less time than one by one
_ON_THEIR_WAY: Final = 24  # names whose charts are being drawn by the other process
_LEVEL: Final = 3  # of zlib
_MOST_BYTES: Final = 10_000_000  # of one specimen's charts, unpacked
# All that a chart consists of: a file that says anything else is not shown.
_TAG: Final = r"(?:g|path|line|text|title)"
_NAME: Final = r"(?:class|d|transform|x2|y2|text-anchor|stroke-\w+)"
_CHART: Final = re.compile(rf'(?:[^<>]++|</{_TAG}>|<{_TAG}(?: {_NAME}="[^"<>]*+")*+/?>)*+')


class Drawn:
    """The charts of a ward.

    Parameters
    ----------
    ward : Path, optional
        The ward's folder; without it nothing is kept.
    """

    def __init__(self, ward: Path | None = None) -> None:
        self._folder = None if ward is None else ward / CHARTS

    def views(self, name: str, drawings: Sequence[Drawing]) -> tuple[ChartView, ...]:
        """Return the charts of a specimen (or of anything else that has a name) as pages show them.

        What is not kept yet is drawn, all in one go.

        Raises
        ------
        OSError
            If what was drawn cannot be written.
        """
        (views,) = self.in_turn([(name, drawings)], many=False)
        return views

    def in_turn(
        self, jobs: Iterable[tuple[str, Sequence[Drawing]]], *, many: bool
    ) -> Iterator[tuple[ChartView, ...]]:
        """Return the charts of each name in turn, see `views`.

        Where there are `many`, another process draws those of the next names meanwhile; it is
        started for the first chart that is missing.
        """
        coming = iter(jobs)
        with ExitStack() as stack:
            drawing: _Drawing = _here
            waiting: deque[_Job] = deque()
            while group := [
                _Job(name, drawings, self._read(name))
                for name, drawings in islice(coming, _TOGETHER)
            ]:
                if many and drawing is _here and any(job.missing for job in group):
                    drawing = stack.enter_context(_beside())
                _ask(drawing, group)
                waiting += group
                while len(waiting) > (_ON_THEIR_WAY if many else 0):
                    yield self._done(waiting.popleft())
            while waiting:
                yield self._done(waiting.popleft())

    def _done(self, job: "_Job") -> tuple[ChartView, ...]:
        found = job.found
        if job.missing:
            found |= zip(job.missing, job.drawn(), strict=True)
            self._write(job.name, found)
        return tuple(
            ChartView(title=one.title, svg=one.page_svg(found[key]))
            for one, key in zip(job.drawings, job.keys, strict=True)
        )

    def _file(self, name: str) -> Path | None:
        if self._folder is None:
            return None
        return self._folder / f"{sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:20]}.z"

    def _read(self, name: str) -> dict[str, str]:
        path = self._file(name)
        if path is None:
            return {}
        try:
            return charts_in(path.read_bytes()) or {}
        except OSError:
            return {}

    def _write(self, name: str, charts: dict[str, str]) -> None:
        path = self._file(name)
        if path is not None:
            data = json.dumps(charts, separators=(",", ":")).encode()
            write_bytes(path, zlib.compress(data, _LEVEL), forced=False)


def charts_in(data: bytes) -> dict[str, str] | None:
    """Return what a file of kept charts holds, by digest; None if it is damaged.

    What is more than a chart, with tags and attributes of its own, is left out.
    """
    try:
        told = json.loads(zlib.decompressobj().decompress(data, _MOST_BYTES))
    except (ValueError, RecursionError, zlib.error):
        return None
    if not isinstance(told, dict):
        return None
    charts = {key: one for key, one in told.items() if isinstance(one, str)}
    return {key: one for key, one in charts.items() if _CHART.fullmatch(one)}


class _Job:
    """The charts of one name: those found, those missing, what will have drawn them."""

    def __init__(self, name: str, drawings: Sequence[Drawing], kept: dict[str, str]) -> None:
        self.name, self.drawings = name, drawings
        self.keys = [one.digest() for one in drawings]
        self.found = {key: kept[key] for key in self.keys if key in kept}
        asked = zip(self.keys, drawings, strict=True)
        self.missing = {key: one for key, one in asked if key not in self.found}
        self.drawn: Callable[[], list[str]] = list


def _ask(drawing: _Drawing, jobs: Sequence[_Job]) -> None:
    """Have what these names lack drawn in one go; each gets its own part of it."""
    every = [one.specification() for job in jobs for one in job.missing.values()]
    if not every:
        return
    drawn, begin = drawing(every), 0
    for job in jobs:
        end = begin + len(job.missing)
        job.drawn = partial(_part, drawn, begin, end)
        begin = end


def _part(drawn: Callable[[], list[str]], begin: int, end: int) -> list[str]:
    return drawn()[begin:end]


def _here(specifications: list[str]) -> Callable[[], list[str]]:
    drawn = draw(specifications)
    return lambda: drawn


@contextmanager
def _beside() -> Iterator[_Drawing]:
    """Draw in another process, which ends with the block or with this one."""
    pool = ProcessPoolExecutor(
        1, mp_context=get_context("spawn"), initializer=workers.follow_parent
    )
    try:
        yield lambda specifications: pool.submit(draw, specifications).result
    finally:
        pool.shutdown(cancel_futures=True)
