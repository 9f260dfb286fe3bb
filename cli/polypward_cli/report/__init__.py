"""The report: a folder of pages about a ward that needs no network and is whole without scripts."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

from polypward import __version__
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.report import words
from polypward_cli.report.cutouts import make_cutouts
from polypward_cli.report.folder import fresh_folder
from polypward_cli.report.gather import Beside, gather
from polypward_cli.report.index import index_view
from polypward_cli.report.pages import Pages
from polypward_cli.report.specimens import CUTOUTS, Desk, specimen_view
from polypward_cli.report.views import WardView
from polypward_cli.report.ward_page import ward_page_view

if TYPE_CHECKING:
    from polypward.course import Course

__all__ = ["Beside", "ReportSettings", "ReportWard", "build_report", "gather"]

REPORT = "report"
SCORED = "readings.csv"


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


def build_report(ward: ReportWard, *, beside: Beside | None = None) -> Path:
    """Write the ward's report and return the path of its first page.

    The folder ``report`` in the ward is replaced as a whole once the new one is complete. `beside`
    is what the ledger tells beside the courses (`gather`): water, batches, money, doses.

    Raises
    ------
    PolypwardError
        If the folder cannot be replaced; the earlier report then still stands.
    OSError
        If the ward's folder cannot be written.
    """
    beside = beside or Beside()
    specimens, courses = ward.specimens(), ward.courses()
    care = _by_specimen(ward.care())
    loose = [reading for reading in ward.readings("") if not reading.specimen]
    readings = [reading for course in courses.values() for reading in course.readings] + loose
    target = ward.path / REPORT
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
        pages = Pages(folder, _ward_view(ward))
        views = []
        for specimen in specimens:
            view = specimen_view(
                specimen,
                courses[specimen.specimen],
                care=care.get(specimen.specimen, ()),
                desk=desk,
            )
            pages.write_specimen(view)
            views.append(view)
        page = ward_page_view(beside, zone=ward.settings.zone)
        index = index_view(
            views, specimens=specimens, readings=readings, scored=_scored(ward), page=page
        )
        pages.write_rest(index, page)
    return target / "index.html"


def _by_specimen(events: Sequence[CareEvent]) -> dict[str, list[CareEvent]]:
    grouped: dict[str, list[CareEvent]] = defaultdict(list)
    for event in events:
        grouped[event.specimen].append(event)
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
