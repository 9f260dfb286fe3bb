"""The demo ward: the sample photos registered, scored and reported, from a folder or the wheel."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path

from polypward.errors import BadInputError
from polypward_cli.care import read_care
from polypward_cli.closing import Closing, close
from polypward_cli.edges import keep_edges
from polypward_cli.manifest import Manifest, read_manifest
from polypward_cli.register import take_register
from polypward_cli.scoring import Options, Progress, score_folder
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import refresh

__all__ = ["Demo", "run_demo", "sample_photos"]

SAMPLES = "sample_images"
REGISTER, MANIFEST, CARE = "register.csv", "manifest.csv", "care.csv"
# Where the invented facility stands; its photos name no other zone.
TIME_ZONE = "Europe/Berlin"
WORKERS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """The finished demo: its ward, the closing list, the report's first page."""

    ward: Path
    closing: Closing
    lines: tuple[str, ...]
    report: Path


@contextmanager
def sample_photos(folder: Path | None) -> Iterator[Path]:
    """Give the folder of sample photos: the one named, the wheel's, or the checkout's.

    Raises
    ------
    BadInputError
        If there is none.
    """
    if folder is not None:
        yield folder
        return
    packaged = resources.files("polypward_cli") / SAMPLES
    if packaged.is_dir():
        with resources.as_file(packaged) as path:
            yield path
        return
    checkout = Path(__file__).resolve().parents[2] / SAMPLES
    if not checkout.is_dir():
        raise BadInputError("the sample photos are not installed; name their folder by --photos")
    yield checkout


def run_demo(photos: Path, out: Path, *, progress: Progress) -> Demo:
    """Score the sample photos into a new ward under `out` and write its report.

    The day of the ward is that of its last photo, so that the story reads as it was.

    Raises
    ------
    BadInputError
        If `out` already holds another ward's files, or the samples cannot be read.
    """
    from polypward_cli.report import build_report, gather

    folder = out / "ward"
    if (folder / "ward.db").exists() and not (folder / "demo.txt").exists():
        raise BadInputError(f"{folder}: a ward that is not the demo's; name another --out")
    with Ward.open(folder, create=True, time_zone=TIME_ZONE) as ward, ward.working("demo"):
        (folder / "demo.txt").write_text("Made by polypward demo; made up, no real animals.\n")
        if (photos / REGISTER).exists():
            take_register(ward, photos / REGISTER)
        care = read_care(ward, photos / CARE) if (photos / CARE).exists() else []
        for event in care:
            ward.add_care(event)
        options = Options(
            workers=WORKERS,
            manifest=read_manifest(photos / MANIFEST, zone=ward.settings.zone)
            if (photos / MANIFEST).exists()
            else Manifest({}),
        )
        # A clock that is behind the story would take its photos for ones of the future.
        now = max([datetime.now(UTC), *(event.at + timedelta(days=1) for event in care)])
        outcome = score_folder(ward, photos, options=options, now=now, progress=progress)
        last = max((one.taken_at for one in ward.readings() if one.taken_at), default=None)
    today = last.date() if last else None
    with Ward.open(folder, today=today) as ward:
        refresh(ward)
        closing = close(ward, outcome)
        keep_edges(ward, closing.flagged, photographed=set(ward.summaries()))
        lines = tuple(closing.lines())
        report = build_report(ward, beside=gather(ward))
    return Demo(ward=folder, closing=closing, lines=lines, report=report)
