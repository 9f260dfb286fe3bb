"""A short run of the fuzzer, seeded; the long one is ``python -m bench.fuzz --cases 100000``."""

import os
import signal
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("resource", reason="bounds of POSIX systems")
from bench.fuzz import Watch, _too_slow, run_cases
from bench.fuzz_readers import READERS

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="bounds and alarms of Linux")
SEED = 20260
CASES = {"bombs": 1, "hostile names": 4, "raw": 30, "backup": 40, "ledger": 30}
_watch: list[Watch] = []


@pytest.fixture
def watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Watch]:
    """One watch for the whole process, as no audit hook can be taken away; its folder moves."""
    if not _watch:
        _watch.append(Watch(tmp_path))
    _watch[0].folder = str(tmp_path.resolve())
    monkeypatch.chdir(tmp_path)
    before = signal.signal(signal.SIGALRM, _too_slow)
    yield _watch[0]
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("name", [one for one in READERS if one != "phone requests"])
def test_whatever_a_file_holds_it_is_read_or_refused_by_a_sentence(
    name: str, watch: Watch, tmp_path: Path
) -> None:
    reader = READERS[name]
    reader.prepare(tmp_path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        done = run_cases(
            reader,
            seed=SEED,
            first=0,
            many=CASES.get(name, 80),
            watch=watch,
            tell=lambda _: None,
        )
    assert done.faults == []
    assert done.cases == CASES.get(name, 80)
    if name not in ("bombs", "hostile names"):
        assert done.refused or name == "ICC"
        assert done.read


def test_the_fuzzer_sees_what_it_looks_for(watch: Watch, tmp_path: Path) -> None:
    """A reader that writes elsewhere, unpickles, runs a program or raises is caught at it."""
    import pickle
    from dataclasses import replace

    outside = tmp_path.parent / f"{tmp_path.name}-outside"

    def bad(name: str, data: bytes, folder: str) -> None:
        kind = data[0] % 4
        if kind == 0:
            outside.write_bytes(b"x")
        elif kind == 1:
            pickle.loads(pickle.dumps(Path("x")))
        elif kind == 2:
            os.system("true")
        else:
            raise KeyError("not a sentence")

    seeds = [(str(kind), bytes([kind])) for kind in range(4)]
    reader = replace(READERS["ICC"], seeds=lambda: seeds, read=bad)
    done = run_cases(reader, seed=0, first=0, many=4, watch=watch, tell=lambda _: None)
    outside.unlink()
    assert {number for number, _ in done.faults} == {0, 1, 2, 3}
