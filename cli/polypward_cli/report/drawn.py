"""Charts that were drawn once and are kept in the ward, so that a report only copies them.

A chart is kept under a digest of all that it is drawn from, so one that would come out the same is
never drawn again, and one that is kept is never wrong. A file holds the charts of one specimen; it
is left out of backups, and made again where it is missing or damaged.
"""

import json
import re
import zlib
from collections.abc import Sequence
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Final

from polypward_cli.files import write_bytes
from polypward_cli.report.drawing import Drawing, draw
from polypward_cli.report.views import ChartView

__all__ = ["CHARTS", "Drawn"]

CHARTS: Final = "charts"  # folder of the ward
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
        keys = [one.digest() for one in drawings]
        kept = self._read(name)
        asked = dict(zip(keys, drawings, strict=True))
        found = {key: kept[key] for key in asked if key in kept}
        missing = [key for key in asked if key not in found]
        if missing:
            new = draw([asked[key].specification() for key in missing])
            found |= zip(missing, new, strict=True)
            self._write(name, found)
        return tuple(
            ChartView(title=one.title, svg=one.page_svg(found[key]))
            for one, key in zip(drawings, keys, strict=True)
        )

    def _file(self, name: str) -> Path | None:
        if self._folder is None:
            return None
        return self._folder / f"{sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:20]}.z"

    def _read(self, name: str) -> dict[str, str]:
        path = self._file(name)
        if path is None:
            return {}
        with suppress(OSError, ValueError, zlib.error):
            unpacking = zlib.decompressobj()
            told = json.loads(unpacking.decompress(path.read_bytes(), _MOST_BYTES))
            if isinstance(told, dict):
                return {
                    key: chart
                    for key, chart in told.items()
                    if isinstance(chart, str) and _CHART.fullmatch(chart)
                }
        return {}

    def _write(self, name: str, charts: dict[str, str]) -> None:
        path = self._file(name)
        if path is not None:
            data = json.dumps(charts, separators=(",", ":")).encode()
            write_bytes(path, zlib.compress(data, 6), forced=False)
