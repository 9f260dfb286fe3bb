"""``python -m bench.faults``: break `score` in every way that happens, and count what is lost.

A batch of about 20 photos is scored into a ward that holds some already. Each case breaks that
run once or more, runs it again, and compares the ward with that of an unbroken run: ledger,
tables, cut-outs and maps, all but the clocks. Polypward's own files must not change meanwhile, as
what is kept of courses tells of the code. Linux only; mounted folders need the superuser.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from bench.faults_run import Ended, Limits, run, warm_up  # noqa: E402  (after the threads)
from bench.faults_ward import State, difference, state_of  # noqa: E402

__all__ = ["Batch", "Count", "main", "make_batch"]

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
PICTURES = (".jpg", ".jpeg", ".heic", ".png")
# What tells of today; it differs where a run goes over midnight.
OF_TODAY = ("ledger summaries", "ledger kept_courses")
PHOTOS, BEFORE = 15, 10


@dataclass(slots=True)
class Count:
    """What came of the cases of one kind."""

    kind: str
    cases: int = 0
    lost: list[str] = field(default_factory=list)
    unclear: list[str] = field(default_factory=list)
    note: str = ""

    def row(self) -> str:
        """Return it as a row of the table."""
        return (
            f"| {self.kind} | {self.cases} | {len(self.lost)} | {len(self.unclear)} | {self.note} |"
        )


@dataclass(frozen=True, slots=True)
class Batch:
    """The batch that is broken: its photos, a ward to begin with, and what must come of it."""

    root: Path
    photos: Path
    ward: Path
    options: tuple[object, ...]
    wanted: State
    unbroken: Ended
    day: date

    @property
    def unbroken_ward(self) -> Path:
        """The ward of the unbroken run."""
        return self.root / "unbroken"

    def case(self, number: int) -> Path:
        """Return a fresh ward to break."""
        ward = self.root / f"case-{number}"
        shutil.rmtree(ward, ignore_errors=True)
        shutil.copytree(self.ward, ward)
        return ward

    def score(
        self, ward: Path, limits: Limits | None = None, *, photos: Path | None = None
    ) -> Ended:
        """Run ``polypward score`` on the batch."""
        words = ("score", photos or self.photos, "--ward", ward, "--workers", 1, *self.options)
        return run(words, log=self.root / f"{ward.name}.log", limits=limits)

    def judge(self, ward: Path, count: Count, name: str) -> None:
        """Compare a ward after its case with the unbroken one; forget it."""
        count.cases += 1
        try:
            lost = difference(self.wanted, state_of(ward))
            if date.today() != self.day:  # "12 days ago" is 13 after midnight
                lost = [one for one in lost if not one.startswith(OF_TODAY)]
        except Exception as error:
            lost = [f"the ward cannot be read: {error!r}"]
        count.lost += [f"{name}: {one}" for one in lost]
        shutil.rmtree(ward, ignore_errors=True)


def make_batch(root: Path, source: Path, rng: random.Random) -> Batch:
    """Choose photos, lay odd files among them, and score them once without any fault."""
    pictures = sorted(
        path for path in source.rglob("*") if path.suffix.lower() in PICTURES and path.is_file()
    )
    chosen = sorted(rng.sample(pictures, min(PHOTOS, len(pictures))))
    first, photos, ward = root / "first", root / "photos", root / "ward"
    for number, path in enumerate(chosen):
        for folder in (photos, first) if number < BEFORE else (photos,):
            to = folder / path.relative_to(source)
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, to)
    shutil.copyfile(chosen[0], photos / "again.jpg")
    other = photos / "ANOTHER"
    other.mkdir()
    shutil.copyfile(chosen[-1], other / chosen[-1].name)  # the same bytes of a second specimen
    (photos / "empty.jpg").write_bytes(b"")
    (photos / "text.jpg").write_text("no picture")
    (photos / "half.jpg").write_bytes(chosen[1].read_bytes()[:20_000])
    options: list[object] = ["--lamp", "white 5000 K"]
    if (source / "manifest.csv").exists():
        options += ["--manifest", source / "manifest.csv"]
    log = root / "log"
    if (source / "register.csv").exists():
        _must(run(("intake", source / "register.csv", "--ward", ward), log=log))
    _must(run(("score", first, "--ward", ward, "--workers", 1, *options), log=log))
    day = date.today()
    unbroken = root / "unbroken"
    shutil.copytree(ward, unbroken)
    words = ("score", photos, "--ward", unbroken, "--workers", 1, *options)
    ended = _must(run(words, log=log))
    return Batch(root, photos, ward, tuple(options), state_of(unbroken), ended, day)


def _must(ended: Ended) -> Ended:
    if ended.status != 0:
        raise RuntimeError(f"the unbroken run ended with {ended.status}: {ended.output}")
    return ended


def kills(batch: Batch, rng: random.Random, first: int, many: int) -> Iterator[Count]:
    """Kill the run (SIGKILL): half of the cases at any moment, half at a point of writing.

    Every fourth case is killed a second time while it is mended.
    """
    by_time, by_point = Count("kill -9 at any moment"), Count("kill -9 at a point of writing")
    struck = {id(by_time): 0, id(by_point): 0}
    for number in range(first, first + many):
        draw = random.Random(f"{rng.random()} {number}")
        count = (by_time, by_point)[number % 2]
        ward = batch.case(number)
        name = f"case {number}"
        for _ in range(2 if number % 4 < 2 else 1):
            if count is by_time:
                limits = Limits(kill_after=draw.uniform(0, batch.unbroken.seconds))
                name += f", after {limits.kill_after:.3f} s"
            else:
                limits = Limits(kill_at=draw.randint(1, batch.unbroken.points))
                name += f", at point {limits.kill_at}"
            struck[id(count)] += batch.score(ward, limits).status == -9
        _finish(batch, ward, count, name)
    for count in (by_time, by_point):
        count.note = f"killed {struck[id(count)]} times, the others had ended before"
        yield count


def _finish(batch: Batch, ward: Path, count: Count, name: str) -> None:
    """Run the batch again without a fault, and judge."""
    ended = batch.score(ward)
    if ended.status != 0 or not ended.clear:
        count.unclear.append(f"{name}: running again ended with {ended.status}: {ended.output}")
    batch.judge(ward, count, name)


KINDS: dict[str, Callable[[Batch, random.Random, int, int], Iterator[Count]]] = {"kills": kills}


def main(words: list[str] | None = None) -> int:
    """Run the cases asked for, print the table and whatever was lost; 1 if anything was."""
    from bench import faults_more

    kinds = KINDS | faults_more.KINDS
    parser = argparse.ArgumentParser(prog="python -m bench.faults", description=__doc__)
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--kills", type=int, default=200, help="cases of kill -9")
    parser.add_argument("--first", type=int, default=0, help="number of the first of them")
    parser.add_argument("--only", nargs="+", choices=kinds, default=list(kinds), metavar="KIND")
    parser.add_argument("--photos", type=Path, default=SAMPLES, help="folder of photos to take")
    options = parser.parse_args(words)
    warm_up()
    start = time.monotonic()
    counts: list[Count] = []
    with tempfile.TemporaryDirectory(prefix="faults-") as spare:
        batch = make_batch(Path(spare), options.photos, random.Random(options.seed))
        print(
            f"seed {options.seed}: {len(list(batch.photos.rglob('*.*')))} files, an unbroken run "
            f"takes {batch.unbroken.seconds:.1f} s and writes at {batch.unbroken.points} points\n"
        )
        print("| what befell the run | cases | lost | not clear | |\n" + "| --- " * 5 + "|")
        for name in options.only:
            rng = random.Random(f"{options.seed} {name}")
            for count in kinds[name](batch, rng, options.first, options.kills):
                counts.append(count)
                print(count.row(), flush=True)
    for count in counts:
        for fault in (*count.lost, *count.unclear):
            print(f"{count.kind}: {fault}")
    print(f"{sum(one.cases for one in counts)} cases in {time.monotonic() - start:.0f} s")
    return int(any(one.lost or one.unclear for one in counts))


if __name__ == "__main__":
    sys.exit(main())
