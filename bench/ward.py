"""A large ward: `rounds` and `report` over many specimens and visits, start-up included."""

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from bench.opening import opened_s
from bench.rows import Row, Size
from polypward.records import Reading, Specimen
from polypward_cli.ahead import draw_ahead
from polypward_cli.report import REPORT
from polypward_cli.report.drawn import CHARTS
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import refresh
from polypward_cli.ward.ledger import dumps
from polypward_cli.ward.rows import residuals_blob, row_of_measures, row_of_specimen

__all__ = ["PLACE_SIZE", "fill", "measure", "timed"]


# Patches of a card, and bins of a palette, as photos of a printed frame have them.
PATCHES, BINS = 68, 63
PLACE_SIZE = 40


def _correction(rng: np.random.Generator) -> str:
    """Return a colour correction as large as a real one: curves of 256 steps, a plane, white."""
    steps = np.linspace(0, 1, 256)
    curves = [[float(f"{v:.5g}") for v in steps**power] for power in rng.uniform(1.8, 2.3, 3)]
    white = [float(v) for v in rng.normal((0.82, 0.9, 0.87), 0.02)]
    return dumps(
        {
            "kind": "linear",
            "grade": "relative",
            "curves": curves,
            "matrix": [[0.38, 0.15, -0.02], [0.42, 0.73, 0.19], [0.15, 0.11, 0.65]],
            "plane": [[1608.5, 155.5, 89460.5], [-152.2, 1664.9, 57960.0], [-0.04, 0.03, 316.6]],
            "field": {"size_mm": [186.0, 186.0], "terms": [0.0, 0.03, 0.027, 0.026, -0.013]},
            "white": white,
            "why": "",
        }
    )


def _reading(rng: np.random.Generator, specimen: int, visit: int, at: datetime) -> Reading:
    """One accepted reading of a specimen that recedes (every tenth), pales or stays."""
    size = 1500 + 10.0 * (specimen % 97)
    loss = 0.01 * visit if specimen % 10 == 0 else 0.0
    pale = 0.4 * visit if specimen % 10 == 1 else 0.0
    cover = float(np.clip(0.95 - loss + rng.normal(0, 0.008), 0, 1))
    return Reading(
        photo=f"{at.date()}/s{specimen:04d}.jpg",
        sha256=f"{specimen:032x}{visit:032x}",
        specimen=f"s{specimen:04d}",
        taken_at=at,
        card="frame",
        card_serial="BENCH",
        mm_per_px=0.11,
        tilt_deg=4.0,
        camera_mm=380.0,
        height_mm=12.0,
        lamp="white",
        colour_grade="relative",
        de00_mean=1.1,
        de00_max=3.0,
        live_mm2=size * cover,
        live_mm2_sd=0.02 * size,
        bare_mm2=size * (1 - cover),
        overgrown_mm2=0.0,
        live_cover=cover,
        live_cover_sd=0.01,
        L=45 + pale + float(rng.normal(0, 0.7)),
        a=8.0 + float(rng.normal(0, 0.5)),
        b=18.0 + float(rng.normal(0, 0.5)),
        lab_sd=0.7,
        bare_lab=(86.0, 0.5, 7.0),
        tile_x_mm=20.0,
        tile_y_mm=20.0,
        tile_mm_per_px=0.2,
        tile="tiles/bench.jpg",
        mask="masks/bench.png",
        unsure=0.02,
        perimeter_mm=180.0,
        live_palette=np.column_stack(
            [
                rng.normal((45 + pale, 8, 18), 4, (BINS, 3)),
                np.full(BINS, size * cover / BINS),
            ]
        ).astype(np.float32),
    )


def fill(ward: Ward, *, specimens: int, visits: int, seed: int) -> None:
    """Write a ward's rows as scoring would have, one photo per specimen and week."""
    rng = np.random.default_rng(seed)
    tile = np.full((600, 600, 3), 60, np.uint8)
    cv2.circle(tile, (300, 300), 110, (60, 90, 150), -1)
    mask = np.zeros((600, 600), np.uint8)
    cv2.circle(mask, (300, 300), 110, 1, -1)
    for folder, name, image in (("tiles", "bench.jpg", tile), ("masks", "bench.png", mask)):
        (ward.path / folder).mkdir(exist_ok=True)
        kind = name[name.index(".") :]
        (ward.path / folder / name).write_bytes(cv2.imencode(kind, image)[1].tobytes())
    first = datetime.combine(date.today(), datetime.min.time(), UTC) + timedelta(hours=12)
    first -= timedelta(weeks=visits - 1)
    corrections = [_correction(rng) for _ in range(50)]
    residuals = [residuals_blob(rng.normal(0, 1, (PATCHES, 3))) for _ in range(50)]
    photos: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = []
    people: list[dict[str, Any]] = []
    for one in range(specimens):
        known = Specimen(
            specimen=f"s{one:04d}",
            kind="brain",
            batch=f"b{one // 40:03d}",
            place=f"rack {one // PLACE_SIZE:02d}",
            water_system=f"water {one // (10 * PLACE_SIZE)}",
        )
        people.append(row_of_specimen(known) | {"first_named": first.isoformat()})
        for visit in range(visits):
            at = first + timedelta(weeks=visit, minutes=one % 180)
            reading = _reading(rng, one, visit, at)
            key = reading.sha256
            photos.append(
                {"key": key, "sha256": key, "path": reading.photo, "decoded": 1}
                | {"first_seen": at.isoformat()}
            )
            rows.append(
                row_of_measures(reading)
                | {"key": key, "specimen": reading.specimen, "taken_at": at.isoformat()}
                | {"lamp": "white", "view": "top", "inputs": "{}", "measured_at": at.isoformat()}
                | {"correction": corrections[(one + visit) % 50]}
                | {"patch_residuals": residuals[(one + visit) % 50]}
            )
    with ward.db.atomic():
        for table, content in (("specimens", people), ("photos", photos), ("readings", rows)):
            names = list(content[0])
            marks = ",".join("?" * len(names))
            ward.db.conn.executemany(
                f"insert into {table} ({','.join(names)}) values ({marks})",
                [tuple(row[name] for name in names) for row in content],
            )
    with ward.working("bench"):
        draw_ahead(ward, refresh(ward))


def timed(*arguments: str) -> tuple[float, float]:
    """Return wall and CPU seconds of one `polypward` command, start-up included."""
    start = time.perf_counter()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-c", "from polypward_cli.main import app; app()", *arguments],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, cpu


def measure(size: Size) -> list[Row]:
    """Time `rounds` and `report` as a person would wait for them."""
    what = f"{size.specimens} specimens x {size.visits} visits, start-up included"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ward"
        with Ward.open(path, create=True, time_zone="UTC") as ward:
            start = time.perf_counter()
            fill(ward, specimens=size.specimens, visits=size.visits, seed=size.seed)
            filled = time.perf_counter() - start
        rounds = min(timed("rounds", "--ward", str(path)) for _ in range(3))
        report = timed("report", "--ward", str(path))
        for made in (CHARTS, REPORT):
            shutil.rmtree(path / made)
        bare = timed("report", "--ward", str(path))
        opened = opened_s(path / REPORT / "index.html")
        pages = list((path / "report").rglob("*.html"))
        index = (path / REPORT / "index.html").stat().st_size
        whole = sum(file.stat().st_size for file in (path / "report").rglob("*") if file.is_file())
    return [
        Row(
            what="`rounds` on a large ward",
            reach="< 1 s",
            measured=f"{rounds[0]:.2f} s (CPU {rounds[1]:.2f} s)",
            settings=f"{what}, best of 3; made in {filled:.0f} s",
            reached=rounds[0] < 1,
        ),
        Row(
            what="`report` on a large ward",
            reach="< 30 s",
            measured=f"{report[0]:.1f} s (CPU {report[1]:.1f} s)",
            settings=f"{what}; {len(pages)} pages, {whole / 1e6:.0f} MB",
            reached=report[0] < 30,
        ),
        Row(
            what="`report` with no chart kept",
            reach="< 30 s",
            measured=f"{bare[0]:.1f} s (CPU of all processes {bare[1]:.1f} s)",
            settings="the same ward; another process draws the charts meanwhile",
            reached=bare[0] < 30,
        ),
        Row(
            what="the report's first page",
            reach="opens < 2 s",
            measured="not opened in a browser here" if opened is None else f"{opened:.2f} s",
            settings=f"{index / 1e6:.2f} MB; loaded and painted in Chromium, median of 5",
            reached=None if opened is None else opened < 2,
        ),
    ]
