"""``python -m bench.fuzz``: feed every reader with broken and hostile files, and count.

Each case is a good file that was changed at random (seeded: reader, seed and number make the
case). A reader must read it or refuse it by a `PolypwardError` with a sentence. Any other
exception, a crash of the process, memory or time over the bound, a file written outside its
folder, a pickle, a program or a connection started is a fault. Linux only.
"""

import argparse
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

__all__ = ["BOUND_MB", "Outcome", "main", "run_cases"]

# Address space above that of the program with everything imported; of the largest pictures that
# are opened at all (125 megapixels), 16 bits deep.
BOUND_MB = 2500
SECONDS = 30
SLICE = 2000
# What no reader has any business with.
FORBIDDEN = frozenset(
    (
        *("pickle.find_class", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn"),
        *("os.spawn", "socket.connect", "os.chmod", "os.symlink"),
    )
)
CHANGING = frozenset({"os.rename", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree"})


class TooSlowError(BaseException):
    """A case took longer than `SECONDS`."""


@dataclass(slots=True)
class Outcome:
    """What came of the cases of one reader; faults with the number of their case."""

    read: int = 0
    refused: int = 0
    faults: list[tuple[int, str]] = field(default_factory=list)
    peak_mb: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)

    @property
    def cases(self) -> int:
        """How many there were."""
        return self.read + self.refused + len(self.faults)


class Watch:
    """Hears what a reader does to the system; `outside` collects what it has no business with."""

    def __init__(self, folder: Path) -> None:
        self.folder = str(folder.resolve())
        self.outside: list[str] = []
        self.on = False
        sys.addaudithook(self._heard)

    def _heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.on:
            return
        if event in FORBIDDEN:
            self.outside.append(f"{event} {arguments!r}"[:200])
        elif (event == "open" and _writes(arguments)) or event in CHANGING:
            self._must_be_inside(event, arguments[0])

    def _must_be_inside(self, event: str, path: Any) -> None:
        if isinstance(path, int):
            return
        whole = os.path.realpath(os.fsdecode(path))
        if whole != "/dev/null" and not (whole + "/").startswith(self.folder + "/"):
            self.outside.append(f"{event} of {whole}"[:200])


def _writes(arguments: tuple[Any, ...]) -> bool:
    return isinstance(arguments[2], int) and bool(
        arguments[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    )


def run_cases(reader: Any, *, seed: int, first: int, many: int, watch: Watch, tell: Any) -> Outcome:
    """Run cases `first` to `first + many` of a reader in this process.

    `tell` is called with the number of each case before it runs, so that a crash can be named.
    """
    from polypward.errors import PolypwardError

    outcome = Outcome()
    seeds = reader.seeds()
    for number in range(first, first + many):
        tell(number)
        rng = random.Random(f"{reader.name} {seed} {number}")
        name, data = seeds[rng.randrange(len(seeds))]
        if number < len(seeds):  # once each as it is: a good file must be read
            name, broken = seeds[number]
        else:
            broken = reader.change(data, rng)
        signal.alarm(SECONDS)
        watch.on = True
        try:
            reader.read(name, broken, watch.folder)
            outcome.read += 1
        except PolypwardError as error:
            if len(str(error)) > 5:
                outcome.refused += 1
            else:
                outcome.faults.append((number, f"says nothing: {str(error)!r}"))
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as error:
            outcome.faults.append((number, _told(error)))
        finally:
            watch.on = False
            signal.alarm(0)
        if watch.outside:
            outcome.faults.append((number, "; ".join(watch.outside[:3])))
            watch.outside.clear()
    return outcome


def _told(error: BaseException) -> str:
    last = traceback.extract_tb(error.__traceback__)
    where = next((one for one in reversed(last) if "polypward" in one.filename), last[-1])
    told = f"{type(error).__name__}: {str(error)[:160]}"
    return f"{told} ({Path(where.filename).name}:{where.lineno})"


def _worker(name: str, seed: int, first: int, many: int, mark: str) -> None:
    """Run a slice in this process under its bounds; the outcome goes to stdout as JSON."""
    from bench.fuzz_readers import READERS
    from bench.memory import _peak_mb, _resident_mb

    reader = READERS[name]
    with tempfile.TemporaryDirectory(prefix="fuzz-") as spare:
        os.chdir(spare)
        reader.prepare(Path(spare))
        handle = os.open(mark, os.O_WRONLY)
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + BOUND_MB * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        signal.signal(signal.SIGALRM, _too_slow)
        warnings.simplefilter("ignore")
        watch = Watch(Path(spare))
        before = _resident_mb()
        outcome = run_cases(
            reader,
            seed=seed,
            first=first,
            many=many,
            watch=watch,
            tell=lambda number: os.pwrite(handle, b"%12d" % number, 0),
        )
        told = {
            "read": outcome.read,
            "refused": outcome.refused,
            "faults": outcome.faults,
            "peak": _peak_mb() - before,
        }
    print(json.dumps(told), flush=True)
    os._exit(0)  # the page's threads would wait for more


def _too_slow(*_: object) -> None:
    raise TooSlowError(f"over {SECONDS} s")


def fuzz(name: str, *, seed: int, first: int, cases: int) -> Outcome:
    """Run cases of one reader, slice by slice, each in a process that may crash."""
    whole = Outcome()
    at, end = first, first + cases
    with tempfile.NamedTemporaryFile() as mark:
        while at < end:
            many = min(SLICE, end - at)
            words = [sys.executable, "-m", "bench.fuzz", "--worker", name, str(seed)]
            words += [str(at), str(many), mark.name]
            done = subprocess.run(words, capture_output=True, text=True)
            if done.returncode == 0:
                told = json.loads(done.stdout.splitlines()[-1])
                whole.read += told["read"]
                whole.refused += told["refused"]
                whole.faults += [tuple(one) for one in told["faults"]]
                whole.peak_mb = max(whole.peak_mb, told["peak"])
                at += many
                continue
            number = int(Path(mark.name).read_text() or at)
            whole.faults.append((number, f"the process ended with {done.returncode}: "
                                 f"{done.stderr[-300:]}"))  # fmt: skip
            # Those before it went well, but what they came to went with the process.
            whole.read += max(number - at, 0)
            at = max(number, at) + 1
    return whole


def main(words: list[str] | None = None) -> int:
    """Fuzz the readers asked for and print the table; 1 if there was a fault."""
    from bench.fuzz_readers import READERS

    if words is None and sys.argv[1:2] == ["--worker"]:
        name, seed, first, many, mark = sys.argv[2:7]
        _worker(name, int(seed), int(first), int(many), mark)
    parser = argparse.ArgumentParser(prog="python -m bench.fuzz", description=__doc__)
    parser.add_argument("--cases", type=int, default=2000, help="of all readers together")
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--first", type=int, default=0, help="number of the first case of each")
    parser.add_argument("--only", nargs="+", choices=READERS, default=list(READERS))
    options = parser.parse_args(words)
    shares = {name: READERS[name].share for name in options.only}
    total, faults = 0, 0
    print("| reader | cases | read | refused with a sentence | faults | memory | s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name, share in shares.items():
        start = time.monotonic()
        cases = max(1, round(options.cases * share / sum(shares.values())))
        done = fuzz(name, seed=options.seed, first=options.first, cases=cases)
        total, faults = total + cases, faults + len(done.faults)
        print(
            f"| {name} | {cases} | {done.read} | {done.refused} | {len(done.faults)} | "
            f"{done.peak_mb:+.0f} MB | {time.monotonic() - start:.0f} |",
            flush=True,
        )
        seen: Counter[str] = Counter()
        for number, told in done.faults:
            seen[told] += 1
            if seen[told] == 1:
                print(f"FAULT {name} seed {options.seed} case {number}: {told}", flush=True)
    print(f"{total} cases, {faults} faults (seed {options.seed}, from case {options.first})")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
