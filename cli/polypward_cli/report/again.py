"""Specimens' pages that the report before has already, and that are not written again.

A page is taken over only if everything it is made from is as it was, by a digest that was kept
with the page, and if the page itself is byte for byte what was written. What a page is made from:
the course and what it stands on as the ledger keeps it (`kept_courses.Kept`), how the specimen
stands today, its doses, edge and cut-outs, what every page says of the ward, and the code and
templates of polypward. Only the time at the foot of a page is that of its writing.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polypward
import polypward_cli
from polypward.records import Reading
from polypward_cli.files import code_digest
from polypward_cli.report.cutouts import take_over
from polypward_cli.report.strips import Desk
from polypward_cli.report.views import CutOutView, FlagView, SpecimenView, WardView

if TYPE_CHECKING:
    from polypward_cli.ward.kept_courses import Kept

__all__ = ["Earlier", "page_keys"]

INDEX: Final = "pages.json"
# What only a specimen's own page shows; the other pages do without.
_OWN: Final = ("strips", "charts", "facts", "visits", "remarks", "events", "readings")
_SHARED: Final = tuple(one.name for one in fields(SpecimenView) if one.name not in _OWN)


def page_keys(
    kept: "Kept", readings: Mapping[str, list[Reading]], *, desk: Desk, ward: WardView
) -> dict[str, str]:
    """Return, by specimen, a digest of all that its page is made from."""
    said = repr((ward.name, ward.version, _code()))
    keys = {}
    for name, told in kept.told.items():
        tiles = [reading.tile for reading in readings.get(name, ()) if reading.tile]
        cuts = [replace(desk.cutouts[tile], outlines={}) for tile in tiles if tile in desk.cutouts]
        beside = (desk.doses.get(name), desk.edges.get(name), cuts, desk.pages[name])
        keys[name] = _digest(f"{told}\0{beside!r}\0{said}".encode("utf-8", "surrogatepass"))
    return keys


@dataclass(slots=True)
class Earlier:
    """The pages of the report before, in `folder`, and those of the new one.

    Parameters
    ----------
    folder : Path
        The whole of the report before; it need not be there.
    """

    folder: Path
    _known: dict[str, Any]
    _now: dict[str, Any]

    @classmethod
    def read(cls, folder: Path) -> "Earlier":
        """Read which pages there are; none where the list is gone or damaged."""
        try:
            known = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            known = {}
        return cls(folder, known if isinstance(known, dict) else {}, {})

    def taken(self, name: str, key: str, new: Path) -> SpecimenView | None:
        """Take a page over into the new report; return its view, None where it is another now."""
        try:
            told = self._known[name]
            if told["key"] != key:
                return None
            view = _view_of(told["view"])
            page = (self.folder / view.href).read_bytes()
            if _digest(page) != told["page"] or not take_over(
                self.folder / view.href, new / view.href
            ):
                return None
        except (OSError, KeyError, TypeError, ValueError):
            return None
        self._now[name] = told
        return view

    def wrote(self, view: SpecimenView, key: str, new: Path) -> None:
        """Note a page that was written."""
        light = {name: getattr(view, name) for name in _SHARED}
        light["flags"] = [asdict(flag) for flag in view.flags]
        light["latest"] = None if view.latest is None else asdict(view.latest)
        page = _digest((new / view.href).read_bytes())
        self._now[view.name] = {"key": key, "page": page, "view": light}

    def write(self, new: Path) -> None:
        """Write the list of pages into the new report."""
        text = json.dumps(self._now, ensure_ascii=False, separators=(",", ":"))
        (new / INDEX).write_text(text, encoding="utf-8", errors="surrogatepass")


def _view_of(told: dict[str, Any]) -> SpecimenView:
    latest = told["latest"]
    flags = tuple(FlagView(**flag) for flag in told["flags"])
    cut = None if latest is None else CutOutView(**latest)
    return SpecimenView(**told | dict.fromkeys(_OWN, ()) | {"flags": flags, "latest": cut})


def _code() -> str:
    """Return a digest of the whole of polypward, templates among it."""
    folders = (Path(package.__path__[0]) for package in (polypward, polypward_cli))
    return code_digest(*folders, kinds=(".py", ".j2", ".css", ".js", ".toml"))


def _digest(data: bytes) -> str:
    return sha256(data).hexdigest()[:20]
