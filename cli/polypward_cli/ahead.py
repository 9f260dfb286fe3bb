"""Charts drawn as soon as a folder was scored, so that the report need not."""

from collections import defaultdict
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from polypward.records import CareEvent

if TYPE_CHECKING:
    from polypward.course import Course
    from polypward_cli.ward import Ward

__all__ = ["FEWEST", "draw_ahead"]

# For fewer specimens the library's start (0.4 s) is not worth it: the report draws those.
FEWEST: Final = 50


def draw_ahead(ward: "Ward", courses: "Mapping[str, Course]", *, fewest: int = FEWEST) -> None:
    """Draw and keep the charts of these courses, unless they are fewer than `fewest`.

    Raises
    ------
    OSError
        If they cannot be written.
    """
    if len(courses) < fewest:
        return
    from polypward_cli.report.course_charts import care_of, charts_of
    from polypward_cli.report.drawn import Drawn
    from polypward_cli.water.history import doses_by_specimen

    care: dict[str, list[CareEvent]] = defaultdict(list)
    for event in ward.care():
        care[event.specimen].append(event)
    doses, drawn, zone = doses_by_specimen(ward), Drawn(ward.path), ward.settings.zone
    for name, course in courses.items():
        done = care_of(name, care.get(name, ()), doses)
        drawn.views(name, charts_of(course, care=done, zone=zone))
