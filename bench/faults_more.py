"""The faults besides a kill: a full disk, no writing, two at once, clocks, damage, a plug."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from bench.faults_run import Ended, Limits, run
from bench.faults_ward import difference, state_of

if TYPE_CHECKING:
    from bench.faults import Batch, Count

__all__ = ["KINDS"]

FULL, CUT, JUMPS = 9, 20, 4


def full_disk(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Let the disk fill up at some moment: a small mounted folder, else told by every `open`."""
    from bench.faults import Count, _finish

    count = Count("disk full")
    took = _size(batch, batch.unbroken_ward) - _size(batch, batch.ward)
    for number in range(FULL):
        ward = batch.case(number)
        name = f"case {number}"
        if number % 3 == 2 or not can_mount(batch.root):
            point = rng.randint(1, batch.unbroken.points)
            name += f", told from point {point} on"
            ended = batch.score(ward, Limits(no_room_at=point))
            _expect(ended, count, name, "room", "space", "full")
        else:
            spare = int(rng.uniform(0, 0.9) * took)
            name += f", {spare // 1000} kB left of {took // 1000} kB"
            with small_disk(ward, spare) as grow:
                ended = batch.score(ward)
                _expect(ended, count, name, "room", "space", "full")
                grow()
        _finish(batch, ward, count, name)
    yield count


def _size(batch: "Batch", ward: Path) -> int:
    return sum(path.stat().st_size for path in ward.rglob("*") if path.is_file())


def _expect(ended: Ended, count: "Count", name: str, *words: str) -> None:
    """Note it if a run neither ended well nor said one of the words on its way out."""
    said = any(word in ended.output for word in words)
    if not ended.clear or (ended.status != 0 and not said):
        count.unclear.append(f"{name}: ended with {ended.status}: {ended.output[-600:]}")


def can_mount(folder: Path) -> bool:
    """Say whether this process may mount folders."""
    here = folder / "mount"
    here.mkdir(exist_ok=True)
    done = subprocess.run(["mount", "-t", "tmpfs", "none", str(here)], capture_output=True)
    if done.returncode == 0:
        subprocess.run(["umount", str(here)], check=True)
    return done.returncode == 0


@contextmanager
def small_disk(ward: Path, spare: int) -> Iterator[Callable[[], None]]:
    """Put a ward on a small disk with `spare` bytes left; what is given makes room."""
    apart = ward.with_name(f"{ward.name}-apart")
    shutil.copytree(ward, apart)
    used = sum(-(-p.stat().st_size // 4096) * 4096 + 4096 for p in apart.rglob("*"))
    size = used + spare + 64 * 1024
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(ward)], check=True)
    try:
        shutil.copytree(apart, ward, dirs_exist_ok=True)
        yield lambda: None
        shutil.rmtree(apart)
        shutil.copytree(ward, apart)
    finally:
        subprocess.run(["umount", "-l", str(ward)], check=True)
    shutil.copytree(apart, ward, dirs_exist_ok=True)
    shutil.rmtree(apart)


def read_only(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Let nothing be written: the ward must stay as it was, and the reason must be told."""
    from bench.faults import Count

    count = Count("ward that may not be written")
    for number, word in enumerate(("score", "rounds", "report")):
        ward = batch.case(number)
        before = state_of(ward)
        words: tuple[object, ...] = (word, "--ward", ward)
        if word == "score":
            words = ("score", batch.photos, "--ward", ward, *batch.options)
        with not_writable(ward):
            ended = run(words, log=batch.root / "read-only.log")
        _expect(ended, count, word, "written", "denied", "read-only", "readonly", "Read-only")
        count.cases += 1
        count.lost += [f"{word}: {one}" for one in difference(before, state_of(ward))]
        shutil.rmtree(ward)
    yield count


@contextmanager
def not_writable(ward: Path) -> Iterator[None]:
    """Mount a ward for reading only, or take the right to write away."""
    if can_mount(ward.parent):
        with small_disk(ward, 0):
            subprocess.run(["mount", "-o", "remount,ro", str(ward)], check=True)
            yield
        return
    paths = [ward, *ward.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield
    for path in reversed(paths):
        path.chmod(0o755 if path.is_dir() else 0o644)


def two_at_once(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Start two at the same moment: one works, the other says who does, nothing is lost."""
    from bench.faults import Count, _finish

    count = Count("two `score` at once")
    for number in range(4):
        ward = batch.case(number)
        words = [sys.executable, "-c", "from polypward_cli.main import app; app()", "score"]
        words += [str(batch.photos), "--ward", str(ward), *map(str, batch.options)]
        quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True}
        both = [subprocess.Popen(words, **quiet) for _ in range(2)]  # type: ignore[call-overload]
        if number % 2:
            time.sleep(rng.uniform(0.5, 2))
        said = [one.communicate()[0] for one in both]
        codes = sorted(one.returncode for one in both)
        told = "is working in this ward" in "".join(said)
        if codes not in ([0, 0], [0, 2]) or (codes[1] and not told):
            count.unclear.append(f"case {number}: ended with {codes}: {said}")
        _finish(batch, ward, count, f"case {number}, ended with {codes}")
    yield count


def clocks(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Let the computer's clock jump between two runs, the first of which is killed."""
    from bench.faults import Count, _finish

    count = Count("clock jumps")
    for number in range(JUMPS):
        ward = batch.case(number)
        days = (-3000, -1, 30, 4000)[number % 4]
        name = f"case {number}, by {days} days"
        limits = Limits(
            kill_after=rng.uniform(0.3, 0.8) * batch.unbroken.seconds,
            before=lambda days=days: _shift_clock(days),
        )
        batch.score(ward, limits)
        _finish(batch, ward, count, name)
    yield count


def _shift_clock(days: int) -> None:
    """Let every module of polypward see another day."""
    import datetime as module

    class Shifted(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime.fromtimestamp(time.time(), UTC).astimezone(tz) + timedelta(days)  # type: ignore[arg-type]

    module.datetime = Shifted  # type: ignore[misc]
    for name, loaded in list(sys.modules.items()):
        if name.startswith("polypward") and getattr(loaded, "datetime", None) is datetime:
            loaded.datetime = Shifted  # type: ignore[attr-defined]


def truncated(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Cut the ledger short anywhere: `ward check` must say so, `ward restore` must mend it."""
    from bench.faults import Count

    count = Count("ledger cut short, restored")
    backup = batch.root / "backup.zip"
    log = batch.root / "cut.log"
    run(("ward", "backup", "--ward", batch.unbroken_ward, "--to", backup), log=log)
    whole = (batch.unbroken_ward / "ward.db").read_bytes()
    wanted = state_of(batch.unbroken_ward)
    for number in range(CUT):
        ward = batch.root / f"cut-{number}"
        shutil.copytree(batch.unbroken_ward, ward)
        size = (0, 1, 99, 100, len(whole) - 1)[number] if number < 5 else rng.randrange(len(whole))
        (ward / "ward.db").write_bytes(whole[:size])
        name = f"cut to {size} of {len(whole)} bytes"
        for word in (("ward", "check"), ("rounds",), ("report",)):
            ended = run((*word, "--ward", ward), log=log)
            told = ended.status != 0 and "restore" in ended.output
            if not ended.clear or (word == ("ward", "check") and not told):
                count.unclear.append(f"{name}, {word}: {ended.status}: {ended.output[-600:]}")
        again = batch.root / "again"
        ended = run(("ward", "restore", backup, "--ward", again), log=log)
        if ended.status != 0:
            count.unclear.append(f"{name}, restore: {ended.status}: {ended.output[-600:]}")
        count.cases += 1
        count.lost += [f"{name}: {one}" for one in difference(wanted, state_of(again))]
        shutil.rmtree(again)
        shutil.rmtree(ward)
    yield count


def unplugged(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Take the folder of photos away at some moment, plug it in again, run again."""
    from bench.faults import Count, _finish

    count = Count("photo folder unplugged")
    for number in range(FULL):
        ward = batch.case(number)
        place = batch.root / "plug"
        place.symlink_to(batch.photos, target_is_directory=True)
        after = rng.uniform(0, 1) * batch.unbroken.seconds
        child = os.fork()
        if child == 0:
            time.sleep(after)
            place.unlink(missing_ok=True)
            os._exit(0)
        ended = batch.score(ward, photos=place)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        place.unlink(missing_ok=True)
        name = f"case {number}, after {after:.2f} s"
        _expect(ended, count, name, "is not there", "no pictures", "gone")
        _finish(batch, ward, count, name)
    yield count


def orphans(batch: "Batch", rng: random.Random, first: int, many: int) -> Iterator["Count"]:
    """Kill a run with two workers: they must end with it, and nothing is lost."""
    from bench.faults import Count, _finish

    count = Count("kill -9 with two workers")
    for number in range(4):
        ward = batch.case(number)
        words = [sys.executable, "-c", "from polypward_cli.main import app; app()", "score"]
        words += [str(batch.photos), "--ward", str(ward), "--workers", "2"]
        words += [str(word) for word in batch.options]
        parent = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(3, 9))
        family = _children(parent.pid)
        parent.kill()
        parent.wait()
        name = f"case {number}, {len(family)} workers"
        give_up = time.monotonic() + 20
        while alive := [one for one in family if _lives(one)]:
            if time.monotonic() > give_up:
                count.unclear.append(f"{name}: {len(alive)} processes live on")
                for one in alive:
                    os.kill(one, signal.SIGKILL)
                break
            time.sleep(0.1)
        _finish(batch, ward, count, name)
    yield count


def _children(parent: int) -> list[int]:
    text = Path(f"/proc/{parent}/task/{parent}/children").read_text()
    return [int(word) for word in text.split()]


def _lives(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


KINDS: dict[str, Callable[["Batch", random.Random, int, int], Iterator["Count"]]] = {
    "full": full_disk,
    "read-only": read_only,
    "two": two_at_once,
    "clock": clocks,
    "cut": truncated,
    "unplugged": unplugged,
    "orphans": orphans,
}
