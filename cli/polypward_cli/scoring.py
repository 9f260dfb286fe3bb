"""Many photos: a folder is scanned, what is new or changed is measured, all of it is placed."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from polypward.errors import BadInputError
from polypward_cli.eyes import Eyes, RealEyes
from polypward_cli.options import Options
from polypward_cli.run import Progress, Run
from polypward_cli.scan import Scan, find_photos
from polypward_cli.teaching.learning import eyes_of
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import publish_residuals

__all__ = ["Options", "Outcome", "Progress", "score_folder", "score_scan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run came to. `keys` are its photos in the ledger, in the order of their paths."""

    scan: Scan
    keys: tuple[str, ...]
    measured: int
    duplicates: int
    unused_rows: tuple[str, ...]
    moved: tuple[str, ...]


def _quiet(_what: str, _done: int, _of: int) -> None:
    """Show no progress."""


def score_folder(
    ward: Ward,
    folder: Path,
    *,
    options: Options | None = None,
    eyes: Eyes | None = None,
    now: datetime | None = None,
    progress: Progress = _quiet,
) -> Outcome:
    """Score the photos of a folder: measure what is new or changed, place and keep everything.

    Hold the ward (`Ward.working`) around it, and refresh the courses after it.

    Parameters
    ----------
    ward : Ward
        Open for writing.
    folder : Path
        The folder of photos.
    options : Options, optional
        What is said of all photos, the manifest, the number of processes.
    eyes : Eyes, optional
        What opens and measures; the tool's own by default.
    now : datetime, optional
        The clock against which a photo may be dated in the future (aware).
    progress : callable, optional
        Called with what is being done, how many are done, and of how many.

    Raises
    ------
    BadInputError
        If the folder cannot be scanned or holds no picture at all.
    """
    options = options or Options()
    scan = find_photos(folder)
    if not scan.photos:
        raise BadInputError(
            f"{folder}: no pictures in this folder ({scan.skipped} other files). "
            "Pictures end in .jpg, .png, .heic and the like."
        )
    outcome = score_scan(
        ward,
        scan,
        options=options,
        eyes=eyes or eyes_of(ward) or RealEyes(),
        now=now,
        progress=progress,
    )
    publish_residuals(ward)
    return outcome


def score_scan(
    ward: Ward,
    scan: Scan,
    *,
    options: Options,
    eyes: Eyes,
    now: datetime | None = None,
    progress: Progress = _quiet,
) -> Outcome:
    """Score photos that were found already, as `score_folder` does, without its last step.

    That step, `publish_residuals`, reads every photo of the ward: who takes photos in one by one
    does it now and then.
    """
    run = Run(ward, options, eyes, now or datetime.now(UTC))
    run.clean()
    photos = run.take_in(scan, progress)
    measured = run.measure(photos, progress)
    for photo in photos:
        if photo.key not in measured:
            run.settle(photo)
        run.keep_contradictions(photo)
    return Outcome(
        scan=scan,
        keys=tuple(photo.key for photo in photos),
        measured=len(measured),
        duplicates=sum(len(photo.files) - 1 for photo in photos) - run.contradictions,
        unused_rows=run.unused_rows(scan),
        moved=tuple(run.moved),
    )
