"""The report: a folder of pages about a ward that needs no network and is whole without scripts."""

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar
from zoneinfo import ZoneInfo

from polypward import __version__
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.report import words
from polypward_cli.report.again import Earlier, page_keys
from polypward_cli.report.course_charts import care_of, charts_of
from polypward_cli.report.cutouts import make_cutouts
from polypward_cli.report.drawing import Drawing
from polypward_cli.report.drawn import Drawn
from polypward_cli.report.folder import fresh_folder
from polypward_cli.report.gather import Beside, gather
from polypward_cli.report.index import index_view
from polypward_cli.report.pages import Pages
from polypward_cli.report.specimens import CUTOUTS, Desk, specimen_view
from polypward_cli.report.views import WardView
from polypward_cli.report.ward_page import ward_page_view
from polypward_cli.ward.courses import collector_resting

if TYPE_CHECKING:
    from polypward.course import Course
    from polypward_cli.ward.kept_courses import Kept

__all__ = ["Beside", "ReportSettings", "ReportWard", "build_report", "gather"]

_Of = TypeVar("_Of", Reading, CareEvent)
REPORT = "report"
SCORED = "readings.csv"
# From so many pages on a process of its own draws the charts, if any are missing.
MANY = 200


class ReportSettings(Protocol):
    """What the report asks of a ward's settings."""

    @property
    def owner(self) -> str:
        """Who the report is from; may be empty."""

    @property
    def zone(self) -> ZoneInfo:
        """The ward's time zone."""


class ReportWard(Protocol):
    """What the report asks of a ward."""

    @property
    def path(self) -> Path:
        """The ward's folder."""

    @property
    def settings(self) -> ReportSettings:
        """What ward.toml says."""

    @property
    def zone_today(self) -> date:
        """Today in the ward's time zone."""

    def specimens(self) -> list[Specimen]:
        """Return every specimen, by name."""

    def readings(self, specimen: str | None = None) -> list[Reading]:
        """Return every stored reading, or those of one specimen ("" = of none)."""

    def courses(self) -> "Mapping[str, Course]":
        """Return the course of every specimen."""

    def care(self, specimen: str | None = None) -> list[CareEvent]:
        """Return what was done to or seen on the specimens."""


@collector_resting()
def build_report(
    ward: ReportWard,
    *,
    beside: Beside | None = None,
    kept: "Kept | None" = None,
    progress: Callable[[str, int, int], None] = lambda *_: None,
) -> Path:
    """Write the ward's report and return the path of its first page.

    The folder ``report`` in the ward is replaced as a whole once the new one is complete. `beside`
    is what the ledger tells beside the courses (`gather`): water, batches, money, doses. With
    `kept` (`kept_courses`) pages of the earlier report that would come out the same are taken over.
    `progress` is told what is being written, how many are done, and of how many.

    Raises
    ------
    PolypwardError
        If the folder cannot be replaced; the earlier report then still stands.
    OSError
        If the ward's folder cannot be written.
    """
    beside = beside or Beside()
    specimens, readings = ward.specimens(), ward.readings()
    care = _by_specimen(ward.care())
    target = ward.path / REPORT
    earlier = Earlier.read(target)
    with fresh_folder(target) as folder:
        desk = Desk(
            today=ward.zone_today,
            zone=ward.settings.zone,
            pages=words.page_names(specimen.specimen for specimen in specimens),
            cutouts=make_cutouts(
                (reading for reading in readings if reading.status == "accepted"),
                ward=ward.path,
                folder=folder / CUTOUTS,
                earlier=target / CUTOUTS,
            ),
            doses=beside.doses,
            edges=beside.edges,
        )
        shown = _ward_view(ward)
        pages = Pages(folder, shown)
        own = _by_specimen(readings)
        keys = {} if kept is None else page_keys(kept, own, desk=desk, ward=shown)
        views = {
            name: view
            for name, key in keys.items()
            if (view := earlier.taken(name, key, folder)) is not None
        }
        new = [one for one in specimens if one.specimen not in views]
        known = {one.specimen: one for one in new}
        courses: Iterable[Course] = ()
        if kept is not None and known:
            courses = kept.work(known.keys(), own)
        elif known:
            courses = map(ward.courses().__getitem__, known)
        events = {name: care_of(name, care.get(name, ()), desk.doses) for name in known}
        drawn = Drawn(ward.path)
        under_way: deque[Course] = deque()  # those whose charts are asked for

        def drawings() -> Iterator[tuple[str, tuple[Drawing, ...]]]:
            for course in courses:
                under_way.append(course)
                name = course.specimen
                yield name, charts_of(course, care=events[name], zone=desk.zone)

        every_chart = drawn.in_turn(drawings(), many=len(new) >= MANY)
        for done, charts in enumerate(every_chart, start=1):
            course = under_way.popleft()
            name = course.specimen
            view = specimen_view(known[name], course, care=events[name], charts=charts, desk=desk)
            pages.write_specimen(view)
            views[name] = view
            if name in keys:
                earlier.wrote(view, keys[name], folder)
            progress("writing", done, len(new))
        earlier.write(folder)
        page = ward_page_view(beside, zone=ward.settings.zone, drawn=drawn)
        index = index_view(
            [views[one.specimen] for one in specimens],
            specimens=specimens,
            readings=readings,
            scored=_scored(ward),
            page=page,
        )
        pages.write_rest(index, page)
    return target / "index.html"


def _by_specimen(rows: Iterable[_Of]) -> dict[str, list[_Of]]:
    grouped: dict[str, list[_Of]] = defaultdict(list)
    for row in rows:
        grouped[row.specimen].append(row)
    return grouped


def _ward_view(ward: ReportWard) -> WardView:
    name = ward.path.resolve().name
    return WardView(
        name=f"{ward.settings.owner}: {name}" if ward.settings.owner else name,
        today=words.day(ward.zone_today),
        made_at=words.taken(datetime.now(ward.settings.zone)),
        version=__version__,
    )


def _scored(ward: ReportWard) -> str:
    """Return when the readings were computed last: readings.csv is written at every scoring."""
    try:
        stamp = (ward.path / SCORED).stat().st_mtime
    except OSError:
        return "No photos were scored yet."
    return f"Last scored {words.taken(datetime.fromtimestamp(stamp, ward.settings.zone))}."
