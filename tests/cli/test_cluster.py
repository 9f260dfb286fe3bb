"""Photos measured by the workers of a scheduler: the same ward, also when a worker is killed."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench.faults_ward import difference, state_of
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes, photo
from typer.testing import CliRunner

from polypward.errors import BadInputError
from polypward_cli.cluster import measure_there
from polypward_cli.main import app
from polypward_cli.measuring import Bench, Job

pytest.importorskip("distributed")
ROOT = Path(__file__).parents[2]
pytestmark = [
    # Of the library's own threads and sockets at its end.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed"),
]

Start = Callable[[], subprocess.Popen[bytes]]


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[tuple[str, Start]]:
    """A scheduler of this computer: its address, and what starts a worker of one thread."""
    started: list[subprocess.Popen[bytes]] = []
    folders = [str(ROOT / name) for name in ("", "shared", "vision", "cli")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(folders)}
    log = (tmp_path / "cluster.log").open("wb")

    def begin(name: str, *words: str) -> subprocess.Popen[bytes]:
        module = [sys.executable, "-m", f"distributed.cli.dask_{name}", *words]
        process = subprocess.Popen(
            module, env=environment, cwd=tmp_path, stdout=log, stderr=subprocess.STDOUT
        )
        started.append(process)
        return process

    begin("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show",
          "--scheduler-file", "scheduler.json")  # fmt: skip
    address = _when(lambda: _address(tmp_path / "scheduler.json"))

    def worker() -> subprocess.Popen[bytes]:
        return begin("worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")

    yield address, worker
    for process in started:
        process.kill()
        process.wait()
    log.close()


def _address(file: Path) -> str:
    import json

    try:
        return str(json.loads(file.read_text())["address"])
    except (OSError, ValueError):
        return ""


def _when(ready: Callable[[], str]) -> str:
    give_up = time.monotonic() + 60
    while not (said := ready()):
        assert time.monotonic() < give_up, "the cluster did not start"
        time.sleep(0.05)
    return said


def test_a_worker_that_is_killed_costs_nothing(
    desk: Desk, tmp_path: Path, scheduler: tuple[str, Start]
) -> None:
    """Two workers, one killed in the middle of the run; the ward is the one of a single process."""
    for number in range(12):
        when = f"2026-05-{number + 4:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"{number}.jpg", when, seconds=0.15)
    photo(desk.photos / "jade" / "x.jpg", rejected="no-card")
    photo(desk.photos / "jade" / "y.jpg", fails=True)
    (desk.photos / "jade" / "z.jpg").write_bytes(b"")
    alone = object.__new__(Desk)
    alone.photos, alone.path, alone.eyes = desk.photos, tmp_path / "alone", FakeEyes()
    alone.score()
    address, worker = scheduler
    workers = [worker(), worker()]

    def kill_one() -> None:
        while len(list((desk.path / "masks").glob("*.png"))) < 4:
            time.sleep(0.01)
        workers[0].kill()

    killer = threading.Thread(target=kill_one, daemon=True)
    killer.start()
    assert desk.score(scheduler=address).outcome.measured == 15
    killer.join(5)
    assert workers[0].wait() != 0
    assert workers[1].poll() is None
    assert difference(state_of(alone.path), state_of(desk.path)) == []
    small, others = ({one.name: one.read_bytes() for one in (path / "small").iterdir()}
                     for path in (desk.path, alone.path))  # fmt: skip
    assert small == others
    assert not list((desk.path / "tiles").glob(".*"))


def test_what_no_scheduler_answers_is_told(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("polypward_cli.cluster.CONNECT_S", 0.5)
    photo(desk.photos / "amber" / "a.jpg")
    for address in ("tcp://127.0.0.1:9", "nonsense", "ftp://x"):
        with pytest.raises(BadInputError, match="no scheduler with workers answers"):
            desk.score(scheduler=address)
    done = CliRunner().invoke(
        app, ["score", str(desk.photos), "--ward", str(desk.path), "--scheduler", "tcp://h:x"]
    )
    assert (done.exit_code, "no scheduler" in done.stderr) == (2, True)


def test_without_the_extra_it_is_named(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    photo(desk.photos / "amber" / "a.jpg")
    with pytest.raises(BadInputError, match=r"pip install 'polypward\[cluster\]'"):
        desk.score(scheduler="tcp://127.0.0.1:9")


def test_a_worker_of_other_versions_is_refused(desk: Desk) -> None:
    path = photo(desk.photos / "amber" / "a.jpg")
    from polypward.records import PhotoSettings

    job = Job(key="k", path=path, name="n", settings=PhotoSettings())
    bench = Bench(ward=desk.path, eyes=FakeEyes())
    marks = (("polypward", "0.0"), ("x", "y"))
    with pytest.raises(BadInputError, match=r"has polypward \S+, this computer 0\.0"):
        measure_there(path.read_bytes(), job, bench, (*marks, *marks, marks[0]))
