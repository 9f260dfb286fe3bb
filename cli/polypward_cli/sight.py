"""What a run sees of the world besides photos: its clock, and whether files are still there."""

from collections.abc import Sequence
from datetime import UTC, datetime

from polypward.errors import BadInputError
from polypward_cli.scan import Found
from polypward_cli.ward import Ward

__all__ = ["refuse_gone", "seen_at"]


def seen_at(ward: Ward, now: datetime) -> str:
    """Return the ward's time, UTC: this computer's clock, never before a photo that came earlier.

    A clock that fell back (an empty battery) would make every new photo one of the future.
    """
    text = now.astimezone(UTC).isoformat(timespec="seconds")
    (last,) = ward.db.execute("select max(first_seen) from photos").fetchone()
    return max(text, last or "")


def refuse_gone(photos: Sequence[Found]) -> None:
    """End the run if photos are no longer where they were found.

    Raises
    ------
    BadInputError
        Naming the first; nothing is kept of them, so that the next run measures them.
    """
    if photos:
        more = f" and {len(photos) - 1} more" if len(photos) > 1 else ""
        raise BadInputError(
            f"{photos[0].path}{more}: gone since the folder was looked through; it was unplugged, "
            "moved or emptied. What was measured before is kept. Put it back and run it again."
        )
