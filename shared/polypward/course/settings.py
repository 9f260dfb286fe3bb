"""What a ward may set about its courses; the defaults and where each came from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from typing import Final

from polypward.course.rules import DEFAULT_RULES, AdviceRule
from polypward.errors import BadInputError

__all__ = ["DEFAULT_WHITE_LAB", "CourseSettings", "Lab"]

Lab = tuple[float, float, float]

# Bare coral skeleton, CIELAB D50: off-white, a little yellow. A stated default from memory, no
# measured source; it is used only until the specimen's own skeleton shows.
DEFAULT_WHITE_LAB: Final[Lab] = (90.0, 0.0, 8.0)

# Numbers that a course divides by, or that mean nothing at zero.
_POSITIVE: Final = (
    "interval_days",
    "limit_sds",
    "colour_limit_sds",
    "single_sds",
    "colour_single_sds",
    "follow_sds",
    "baseline_visits",
    "cover_floor",
    "overgrown_floor",
    "lab_floor",
    "lab_floor_known",
    "contracted_below",
    "min_axis_lab",
    "min_room_points",
    "lamp_visits",
    "like_hours",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseSettings:
    """Constants of a course; ward.toml may change each.

    Attributes
    ----------
    zone : tzinfo
        Time zone of the ward; a visit is a calendar day in it.
    interval_days : int
        Days between planned photos. Common practice, no source.
    ewma_lambda : float
        Weight of a visit a week after the one before, 0..1 (Roberts 1959, Technometrics 1:239).
    limit_sds, colour_limit_sds : float
        Limit for a flag, for shares and for colour, in standard deviations of the charted
        statistic. From ``python -m bench.calibration``, see docs/course.md.
    single_sds, colour_single_sds : float
        The same for one visit by itself, in its own SDs from the baseline. From the same.
    follow_sds : float
        Limit beyond which two visits in a row move the baseline up. From the same.
    baseline_visits : int
        Visits that make a full baseline.
    cover_floor, overgrown_floor : float
        Smallest SD of a visit's live cover and overgrown share (fractions): the map's own
        graininess, since shares at 0 and 1 do not scatter normally.
    lab_floor, lab_floor_known : float
        Smallest SD of a visit's live colour along one direction, Lab units: until the ward's own
        visits say how they repeat, and from then on.
    pale_per_contraction_lab, pale_per_contraction_sd_lab : float
        Prior mean and SD of how much paler (Lab units) a specimen looks when its area shrinks by
        a factor e. No published number; wide on purpose, each specimen's own visits narrow it.
    share_per_contraction_sd : float
        Prior SD of the change of a share (cover, overgrown) per factor e of area; mean zero.
    contracted_below : float
        Share of the usual area below which a specimen is called contracted.
    white_lab : tuple of 3 floats
        White end of the paling axis while the specimen's own skeleton does not show.
    white_min_bare_mm2, white_min_l : float
        The specimen's own bare skeleton counts as its white end from this area (mm²) and this L*.
    min_axis_lab : float
        Ends closer than this (Lab units): the paling index is not available.
    kind_references : mapping of kind to Lab
        Colour references named by a person, by kind; they win over the specimen's own.
    sharp_loss_share, sharp_loss_share_per_week : float
        Loss of cover between two visits, relative to the first, that is called sharp: both the
        loss and its rate must be reached.
    stalled_days, stalled_visits : int
        A course is not called stalled on fewer days and visits than these.
    stalled_points_per_week : float
        Rise of condition below which it is called stalled.
    stalled_below : float
        Condition from which on nobody calls it stalled.
    min_room_points : float
        Room to gain or lose below which recovery is not available (points of condition).
    feeding_hours, handling_hours : float
        Hours after heavy feeding, and after a dip, cut or move, during which a visit raises no
        paling flag. Common practice, no source.
    lamp_visits : int
        Visits under a new light, or otherwise unlike those before, after which a new colour
        baseline starts.
    like_hours : float
        Visits further apart in the hour of the day than this are not compared in colour. Common
        practice, no source.
    unlike_share_sd : float
        SD that a visit unlike the others (hour, how open) adds to its cover and overgrown share.
    quarantine_days : int
        Days after arrival when quarantine counts as done unless care says otherwise. Common
        practice, no source.
    rules : tuple of AdviceRule
        The advice table, first match wins.

    Raises
    ------
    BadInputError
        A number is out of its range.
    """

    zone: tzinfo = UTC
    interval_days: int = 7
    ewma_lambda: float = 0.4
    limit_sds: float = 3.2
    colour_limit_sds: float = 2.8
    single_sds: float = 3.4
    colour_single_sds: float = 3.0
    follow_sds: float = 2.5
    baseline_visits: int = 8
    cover_floor: float = 0.01
    overgrown_floor: float = 0.01
    lab_floor: float = 1.5
    lab_floor_known: float = 0.6
    pale_per_contraction_lab: float = 6.0
    pale_per_contraction_sd_lab: float = 3.0
    share_per_contraction_sd: float = 0.02
    contracted_below: float = 0.7
    white_lab: Lab = DEFAULT_WHITE_LAB
    white_min_bare_mm2: float = 30.0
    white_min_l: float = 70.0
    min_axis_lab: float = 20.0
    kind_references: Mapping[str, Lab] = field(default_factory=dict)
    sharp_loss_share: float = 0.10
    sharp_loss_share_per_week: float = 0.15
    stalled_days: int = 28
    stalled_visits: int = 4
    stalled_points_per_week: float = 1.0
    stalled_below: float = 80.0
    min_room_points: float = 10.0
    feeding_hours: float = 12.0
    handling_hours: float = 48.0
    lamp_visits: int = 3
    like_hours: float = 2.0
    unlike_share_sd: float = 0.02
    quarantine_days: int = 21
    rules: tuple[AdviceRule, ...] = DEFAULT_RULES

    def __post_init__(self) -> None:
        if not 0 < self.ewma_lambda <= 1:
            raise BadInputError(f"ewma_lambda must be over 0 and at most 1, got {self.ewma_lambda}")
        for name in _POSITIVE:
            if not getattr(self, name) > 0:
                raise BadInputError(f"{name} must be positive, got {getattr(self, name)}")
