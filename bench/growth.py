"""What things cost as a ward grows: a photo, an entry, `rounds`, `report`, by number of readings.

``python -m bench.growth --keep FOLDER --plot docs/growth.svg`` makes a ward of each size in FOLDER,
takes those that are there, prints the table of docs/growth.md and draws its plot. Seconds are of
CPU, whole commands with their start-up, so that a busy machine does not matter.
"""

import argparse
import math
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

from bench.rows import Row, Size
from bench.ward import PLACE_SIZE, fill, timed
from polypward_cli.ward import Ward

__all__ = ["measure", "plot"]

SIZES: Final = (100, 1_000, 10_000, 100_000)
VISITS: Final = 30
PHOTO: Final = Path("sample_images")
# From one size to the next, ten times as many readings may cost so many times as much.
LINEAR: Final = 10 * 1.1

Costs = dict[str, float]


def make_ward(path: Path, readings: int, *, seed: int) -> None:
    """Make a ward of so many readings, at least one specimen, `VISITS` visits each."""
    with Ward.open(path, create=True, time_zone="UTC") as ward:
        fill(ward, specimens=max(1, round(readings / VISITS)), visits=VISITS, seed=seed)


def costs(path: Path) -> Costs:
    """Return CPU seconds of the commands on the ward, each after one that left nothing to do."""
    ward = ("--ward", str(path))
    timed("care", "food", "mash", "--unit", "g", *ward)
    timed("specimen", "move", "s0001", "--to", "rack 01", *ward)
    found = {
        "an entry of one specimen": timed("specimen", "move", "s0001", "--to", "rack 00", *ward),
        f"a feeding of a place of {PLACE_SIZE}": timed(
            "care", "feed", "rack 00", "--food", "mash", "--quantity", "4", *ward
        ),
        "rounds": timed("rounds", *ward),
        "score of one new photo": _score_one(path),
    }
    shutil.rmtree(path / "report", ignore_errors=True)
    found["report, the first"] = timed("report", *ward)
    timed("specimen", "move", "s0001", "--to", "rack 01", *ward)
    found["report after an entry"] = timed("report", *ward)
    return {name: cpu for name, (_, cpu) in found.items()}


def _score_one(path: Path) -> tuple[float, float]:
    """Score a folder of one photo of the demo as one of the ward's specimen s0001."""
    photo = next(file for file in sorted(PHOTO.rglob("*.jpg")) if "frame" not in file.name)
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "s0001"
        target.mkdir()
        shutil.copy(photo, target / photo.name)
        return timed("score", folder, "--ward", str(path))


def table(found: Mapping[int, Costs]) -> str:
    """Return the costs as a Markdown table, a row per command, seconds of CPU."""
    sizes = sorted(found)
    names = list(found[sizes[0]])
    lines = ["| readings | " + " | ".join(f"{size:,}".replace(",", " ") for size in sizes) + " |"]
    lines.append("| --- |" + " --- |" * len(sizes))
    for name in names:
        cells = (f"{found[size][name]:.2f}" if name in found[size] else "" for size in sizes)
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def worst(found: Mapping[int, Costs]) -> tuple[float, str]:
    """Return the steepest growth of any cost, as its power of the number of readings, and whose."""
    sizes = sorted(found)
    steps = [
        (math.log(found[b][name] / found[a][name]) / math.log(b / a), name)
        for a, b in pairwise(sizes)
        for name in found[a].keys() & found[b].keys()
    ]
    return max(steps)


def plot(found: Mapping[int, Costs]) -> str:
    """Return the costs as an SVG plot with two logarithmic axes, and a line of linear growth."""
    left, top, width, height = 60, 16, 440, 300
    sizes = sorted(found)
    every = [value for one in found.values() for value in one.values()]
    x0, x1 = math.log10(sizes[0]), math.log10(sizes[-1])
    y0, y1 = math.floor(math.log10(min(every))), math.ceil(math.log10(max(every)))

    def at(size: float, seconds: float) -> str:
        x = left + width * (math.log10(size) - x0) / (x1 - x0)
        y = top + height * (y1 - math.log10(seconds)) / (y1 - y0)
        return f"{x:.1f},{y:.1f}"

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 {top + height + 44}" '
        'font-family="sans-serif" font-size="12" fill="none" stroke="#555">',
        "<title>CPU seconds of commands by the number of photo readings in the ward</title>",
        f'<rect width="760" height="{top + height + 44}" fill="#fff" stroke="none"/>',
        f'<rect x="{left}" y="{top}" width="{width}" height="{height}"/>',
    ]
    for power in range(y0, y1 + 1):
        x, y = at(sizes[0], 10**power).split(",")
        parts.append(f'<path d="M{x} {y}h{width}" stroke="#ddd"/>')
        parts.append(_text(left - 6, float(y) + 4, f"{10.0**power:g} s", "end"))
    for size in sizes:
        x, _ = at(size, 10**y0).split(",")
        parts.append(_text(float(x), top + height + 18, f"{size:,}".replace(",", " "), "middle"))
    parts.append(_text(left + width / 2, top + height + 36, "photo readings in the ward", "middle"))
    rise = min(x1 - x0, y1 - y0 - 0.1)
    line = [at(10 ** (x1 - rise), 10.0**y0), at(10**x1, 10 ** (y0 + rise))]
    parts.append(f'<path d="M{line[0]}L{line[1]}" stroke="#999" stroke-dasharray="2 4"/>')
    last = sorted(((seconds, name) for name, seconds in found[sizes[-1]].items()), reverse=True)
    taken = 0.0
    for i, (seconds, name) in enumerate(last):
        points = [at(size, found[size][name]) for size in sizes if name in found[size]]
        dash = ("", "6 3", "2 2", "8 3 2 3", "1 3", "10 4")[i % 6]
        parts.append(
            f'<path d="M{"L".join(points)}" stroke="#1f4e79" stroke-width="1.6" '
            f'stroke-dasharray="{dash}"/>'
        )
        y = max(float(points[-1].split(",")[1]) + 4, taken + 14)
        taken = y
        parts.append(_text(left + width + 8, y, f"{name}, {seconds:.1f} s", "start"))
    parts.append(_text(left + width + 8, taken + 20, "(dotted grey: in proportion)", "start"))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#222" stroke="none">'
        f"{text}</text>"
    )


def measure(size: Size) -> list[Row]:
    """Measure wards of `size.growth` readings; nothing may grow faster than they do."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for readings in size.growth:
            path = Path(folder) / str(readings)
            make_ward(path, readings, seed=size.seed)
            found[readings] = costs(path)
            shutil.rmtree(path)
    power, name = worst(found)
    first, last = min(found), max(found)
    return [
        Row(
            what=f"{what}, {first} and {last} readings",
            reach="at most in proportion",
            measured=f"{found[first][what]:.2f} and {seconds:.2f} s of CPU",
            settings=f"{VISITS} visits a specimen, start-up included",
        )
        for what, seconds in found[last].items()
    ] + [
        Row(
            what="steepest growth of a cost from one size to the next",
            reach="power <= 1",
            measured=f"power {power:.2f} ({name})",
            settings=f"{', '.join(map(str, sorted(found)))} readings",
            reached=power <= math.log10(LINEAR),
        )
    ]


def main() -> None:
    """Measure wards that are kept, print the table, draw the plot."""
    parser = argparse.ArgumentParser(prog="python -m bench.growth", description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--keep", type=Path, required=True, help="folder for the wards")
    parser.add_argument("--plot", type=Path, help="SVG to draw")
    parser.add_argument("--seed", type=int, default=20260)
    options = parser.parse_args()
    found: dict[int, Costs] = {}
    sizes: Sequence[int] = options.sizes
    for readings in sizes:
        path = options.keep / str(readings)
        if not path.exists():
            make_ward(path, readings, seed=options.seed)
        copy = options.keep / "measured"  # so that what is kept has no feeding of today
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(path, copy)
        found[readings] = costs(copy)
        shutil.rmtree(copy)
        print(table(found), flush=True)
    power, name = worst(found)
    print(f"steepest growth: power {power:.2f} ({name})")
    if options.plot:
        options.plot.write_text(plot(found), encoding="utf-8")


if __name__ == "__main__":
    main()
