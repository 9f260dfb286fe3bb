"""``python -m bench``: measure everything, print the table of docs/accuracy.md."""

import argparse
import importlib
import os
import sys
import time
import traceback
from dataclasses import replace

# One core for everything but the row that compares workers; before numpy is imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from bench.rows import Row, Size, as_table  # noqa: E402  (after the thread settings)

# Each module has `measure(size: Size) -> list[Row]`.
PARTS = (
    "photos",
    "tray",
    "outlines",
    "detection",
    "grades",
    "courses",
    "speed",
    "memory",
    "ward",
    "growth",
)


def main() -> int:
    """Run the parts asked for; a part that fails is a row that says so, never a lost table."""
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="only show that everything runs")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, metavar="PART")
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--timed", type=int, help="12-megapixel photos timed")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    options = parser.parse_args()
    size = Size.quick() if options.quick else Size()
    timed = options.timed or size.timed
    size = replace(size, seed=options.seed, jobs=options.jobs, timed=timed)
    rows: list[Row] = []
    failed = False
    for name in options.only:
        start = time.monotonic()
        try:
            rows += importlib.import_module(f"bench.{name}").measure(size)
        except Exception:
            failed = True
            traceback.print_exc()
            last = traceback.format_exc().strip().splitlines()[-1]
            rows.append(Row(what=name, reach="", measured="failed", settings=last, reached=False))
        print(f"{name}: {time.monotonic() - start:.0f} s", file=sys.stderr)
    print(as_table(rows))
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
