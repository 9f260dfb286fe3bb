"""Cameras whose clock is wrong, by the satellite time in their photos or this computer's clock."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import now_text

__all__ = ["TOLERANCE", "ClockOff", "clocks_off", "tell_clocks"]

# A visit is a day; a clock this far off may put a photo on the wrong side of a feeding or a dip.
TOLERANCE: Final = timedelta(minutes=10)
# As many photos must agree that a clock is ahead: one satellite fix may simply be old.
AGREE: Final = 3
# A clock told before is told again when it went wrong by this much more: it was set anew.
_ANOTHER: Final = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class ClockOff:
    """A camera whose clock is `ahead` of the true time (negative: behind), and how that shows."""

    camera: str
    ahead: timedelta
    photos: int
    by: str

    def sentence(self) -> str:
        """Say it, with the command that mends the camera's photos."""
        minutes = round(abs(self.ahead).total_seconds() / 60)
        span = f"{minutes // 60:02d}:{minutes % 60:02d}"
        where, sign = ("ahead", "-") if self.ahead > timedelta(0) else ("behind", "")
        counted = "1 photo" if self.photos == 1 else f"{self.photos} photos"
        camera = self.camera or "a camera without a name"
        mend = (
            f'polypward assign --camera "{self.camera}" --shift {sign}{span}'
            if self.camera
            else f"polypward assign PHOTO... --shift {sign}{span}"
        )
        return (
            f'The clock of "{camera}" is {span} hours {where} ({self.by}, {counted}). '
            f"Set it right there. If it was wrong for all its photos: {mend}"
        )


def clocks_off(ward: Ward) -> list[ClockOff]:
    """Return the cameras whose clock is off by more than `TOLERANCE`.

    A satellite fix may be older than the photo, never younger: the smallest lead of the camera
    over it is taken, and a clock is ahead only if `AGREE` photos lead by as much. A photo from
    after the moment it came in shows a clock that is ahead.
    Cameras are told apart by maker and model, all that a photo names.
    """
    zone = ward.settings.zone
    leads: dict[str, list[timedelta]] = defaultdict(list)
    late: dict[str, list[timedelta]] = defaultdict(list)
    rows = ward.db.query(
        "select camera, exif_taken_at, gps_at, first_seen from photos "
        "where exif_taken_at is not null order by key"
    )
    for row in rows:
        at = datetime.fromisoformat(row["exif_taken_at"])
        at = at if at.tzinfo else at.replace(tzinfo=zone)
        if row["gps_at"]:
            leads[row["camera"]].append(at - datetime.fromisoformat(row["gps_at"]))
        else:
            over = at - datetime.fromisoformat(row["first_seen"])
            if over > TOLERANCE:
                late[row["camera"]].append(over)
    found = []
    for camera in sorted(leads.keys() | late.keys()):
        if camera in leads:
            ahead = min(leads[camera])
            count = sum(lead - ahead <= TOLERANCE for lead in leads[camera])
            by = "by the satellite time in its photos"
            if ahead > timedelta(0) and count < AGREE:
                continue
        else:
            ahead, count = max(late[camera]), len(late[camera])
            by = "at least: its photos are from after they came in"
        if abs(ahead) > TOLERANCE:
            found.append(ClockOff(camera, ahead, count, by))
    return found


def tell_clocks(ward: Ward) -> Iterator[str]:
    """Yield a sentence for each camera whose clock is off and has not been told yet."""
    told = {
        row["camera"]: timedelta(minutes=row["minutes_ahead"])
        for row in ward.db.query("select camera, minutes_ahead from clocks_told")
    }
    for one in clocks_off(ward):
        if one.camera in told and abs(told[one.camera] - one.ahead) <= _ANOTHER:
            continue
        minutes = round(one.ahead.total_seconds() / 60)
        row = {"camera": one.camera, "minutes_ahead": minutes, "told_at": now_text()}
        ward.db.table("clocks_told").insert(row, pk="camera", replace=True)
        yield one.sentence()
