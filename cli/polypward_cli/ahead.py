"""Charts drawn as soon as photos were scored, so that the report need not."""

import json
from collections import defaultdict
from collections.abc import Mapping
from itertools import chain
from typing import TYPE_CHECKING, Final

from polypward.records import CareEvent
from polypward_cli.ward.course_tables import mark, set_mark
from polypward_cli.ward.kept_courses import kept_courses

if TYPE_CHECKING:
    from polypward.course import Course
    from polypward_cli.ward import Ward

__all__ = ["FEWEST", "draw_ahead"]

# For fewer specimens the library's start (1 s of CPU) is not worth it: they wait for more.
FEWEST: Final = 150
_WAITING: Final = "undrawn"


def draw_ahead(ward: "Ward", courses: "Mapping[str, Course]", *, fewest: int = FEWEST) -> None:
    """Draw and keep the charts of these courses and of those that wait, if they are `fewest`.

    Until then they wait for more of them, or for the report, which draws what is missing.

    Raises
    ------
    OSError
        If they cannot be written.
    """
    before = frozenset(json.loads(mark(ward, _WAITING) or "[]"))
    names = before | courses.keys()
    enough = len(names) >= fewest
    if names != before or enough:
        with ward.db.atomic():
            set_mark(ward, _WAITING, json.dumps([] if enough else sorted(names)))
    kept = kept_courses(ward) if enough else None
    if kept is None:
        return
    from polypward_cli.report.course_charts import care_of, charts_of
    from polypward_cli.report.drawn import Drawn
    from polypward_cli.water.history import doses_by_specimen

    others = kept.work((before - courses.keys()) & kept.told.keys(), None)
    care: dict[str, list[CareEvent]] = defaultdict(list)
    for event in ward.care():
        care[event.specimen].append(event)
    doses, drawn, zone = doses_by_specimen(ward), Drawn(ward.path), ward.settings.zone
    for course in chain(others, courses.values()):
        done = care_of(course.specimen, care.get(course.specimen, ()), doses)
        drawn.views(course.specimen, charts_of(course, care=done, zone=zone))
