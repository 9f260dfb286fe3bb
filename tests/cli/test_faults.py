"""Whatever befalls a run: the ward it leaves is one that the next run completes, nothing lost.

The long version, with photos and 200 kills, is ``python -m bench.faults``.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from datetime import timedelta
from pathlib import Path

import pytest
from bench.faults_run import Limits, run_work
from bench.faults_ward import difference, state_of
from tests.cli.conftest import NOW, Desk
from tests.cli.fakes import FakeEyes, photo
from typer.testing import CliRunner

from polypward.errors import BadInputError
from polypward_cli.files import write_bytes
from polypward_cli.main import app
from polypward_cli.scoring import Options, score_folder

SEED = 7
linux_only = pytest.mark.skipif(not hasattr(os, "fork"), reason="forks processes")


@pytest.fixture
def batch(desk: Desk) -> Desk:
    """Eight photos: of three specimens, one rejected, one twice, one under two specimens."""
    for number, name in enumerate(["amber", "amber", "jade", "jade", "slate"]):
        photo(desk.photos / name / f"{number}.jpg", f"2026-05-{number + 4:02d}T10:00:00+02:00")
    photo(desk.photos / "jade" / "x.jpg", rejected="no-card")
    for path in ("again.jpg", "slate/1.jpg"):
        shutil.copyfile(desk.photos / "amber" / "1.jpg", desk.photos / path)
    return desk


@pytest.fixture
def aside(batch: Desk, tmp_path: Path) -> Desk:
    """A second ward for the same photos, to be broken."""
    other = object.__new__(Desk)
    other.photos, other.path, other.eyes = batch.photos, tmp_path / "broken", FakeEyes()
    return other


# Killed.


@linux_only
@pytest.mark.parametrize("number", range(12))
def test_a_run_killed_anywhere_and_run_again_is_an_unbroken_one(
    batch: Desk, aside: Desk, tmp_path: Path, number: int
) -> None:
    unbroken = run_work(batch.score, log=tmp_path / "log")
    assert (unbroken.status, unbroken.points > 150) == (0, True), unbroken.output
    point = random.Random(f"{SEED} {number}").randint(1, unbroken.points)
    killed = run_work(aside.score, log=tmp_path / "log", limits=Limits(kill_at=point))
    assert killed.status == -signal.SIGKILL
    aside.score()
    assert difference(state_of(batch.path), state_of(aside.path)) == []


def test_workers_end_with_a_run_that_is_killed(batch: Desk, tmp_path: Path) -> None:
    for number in range(8):
        photo(batch.photos / "slow" / f"{number}.jpg", seconds=20)
    code = (
        "import sys; from pathlib import Path; from tests.cli.conftest import Desk\n"
        "from tests.cli.fakes import FakeEyes\n"
        "if __name__ == '__main__':\n"
        "    desk = object.__new__(Desk); desk.photos, desk.path = map(Path, sys.argv[1:])\n"
        "    desk.eyes = FakeEyes(); desk.score(workers=2)\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    root = Path(__file__).parents[2]
    path = os.pathsep.join(str(root / name) for name in ("", "shared", "vision", "cli"))
    run = subprocess.Popen(
        [sys.executable, str(script), str(batch.photos), str(batch.path)],
        env=os.environ | {"PYTHONPATH": path},
    )
    children = Path(f"/proc/{run.pid}/task/{run.pid}/children")
    if not Path("/proc").is_dir():
        run.kill()
        run.wait()
        pytest.skip("needs /proc")
    family: list[str] = []
    give_up = time.monotonic() + 60
    while len(family) < 3 and run.poll() is None and time.monotonic() < give_up:
        time.sleep(0.1)
        family = children.read_text().split()  # two workers and the keeper of their locks
    assert len(family) == 3
    time.sleep(2)  # until they are at work
    run.kill()
    run.wait()
    give_up = time.monotonic() + 15
    while any(_lives(one) for one in family):
        assert time.monotonic() < give_up, "workers of a killed run live on"
        time.sleep(0.1)


def _lives(process: str) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


# A folder that is unplugged.


class Unplugged(FakeEyes):
    """Eyes that see the folder of photos go away with the third photo that they open."""

    def open(self, path: Path):  # type: ignore[no-untyped-def]
        if len(self.opened) == 2 and path.parent.exists():
            folder = next(one for one in path.parents if one.name == "photos")
            folder.rename(folder.with_name("away"))
        return super().open(path)


def test_photos_that_are_gone_are_told_and_measured_when_they_are_back(
    batch: Desk, aside: Desk
) -> None:
    batch.score()
    with pytest.raises(BadInputError, match=r"and 3 more: gone since .* Put it back and run"):
        aside.score(eyes=Unplugged())
    with aside.ward() as ward:
        assert len(ward.readings()) == 2
    aside.photos.with_name("away").rename(aside.photos)
    aside.score()
    assert difference(state_of(batch.path), state_of(aside.path)) == []


def test_photos_gone_before_they_were_known_leave_no_trace(
    batch: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    import polypward_cli.run as run

    def gone(found):  # type: ignore[no-untyped-def]
        return f"unreadable:{found.photo}", "", None

    monkeypatch.setattr(run, "identity_of", gone)
    monkeypatch.setattr(run, "is_there", lambda _: False)
    with pytest.raises(BadInputError, match="and 7 more: gone since"):
        batch.score()
    with batch.ward() as ward:
        assert ward.db.table("photos").count == 0


# A disk that takes no more.


def test_a_cut_out_that_cannot_be_written_ends_the_run_and_is_no_photos_fault(
    batch: Desk, aside: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch.score()
    written: list[Path] = []

    def full(path: Path, data: bytes, *, forced: bool = True) -> None:
        if len(written) == 4:
            raise OSError(28, "No space left on device")
        written.append(path)
        write_bytes(path, data, forced=forced)

    with monkeypatch.context() as patch:
        patch.setattr("polypward_cli.measuring.write_bytes", full)
        with pytest.raises(BadInputError, match=r"cannot be written \(No space left on device\)"):
            aside.score()
    with aside.ward() as ward:
        assert not [one for one in ward.readings() if "measuring-failed" in one.reasons]
    aside.score()
    assert difference(state_of(batch.path), state_of(aside.path)) == []


@pytest.mark.parametrize("kind", ["tiles", "masks"])
def test_an_emptied_cut_out_or_map_is_made_again(batch: Desk, kind: str) -> None:
    batch.score()
    wanted = state_of(batch.path)
    next((batch.path / kind).iterdir()).write_bytes(b"")
    batch.score()
    again = state_of(batch.path)
    del wanted["ledger audit"], again["ledger audit"]  # it tells that one was measured again
    assert difference(wanted, again) == []


# A clock that jumps.


def test_a_clock_that_fell_back_makes_no_photo_one_of_the_future(batch: Desk) -> None:
    photo(batch.photos / "amber" / "late.jpg", "2026-05-20T10:00:00+02:00")
    batch.score()
    photo(batch.photos / "amber" / "later.jpg", "2026-05-28T10:00:00+02:00")
    with batch.ward() as ward, ward.working("score"):
        fallen = NOW - timedelta(days=9000)
        score_folder(ward, batch.photos, eyes=batch.eyes, options=Options(workers=1), now=fallen)
        late = [one for one in ward.readings() if one.photo.endswith("later.jpg")]
    assert [(one.status, one.reasons) for one in late] == [("accepted", ())]


# A ledger that was cut short.


@pytest.mark.parametrize("left", [0, 1, 99, 100, 5000, -4096, -1])
def test_a_ledger_cut_short_is_told_and_the_backup_mends_it(
    batch: Desk, tmp_path: Path, left: int
) -> None:
    batch.score()
    wanted = state_of(batch.path)
    backup, again = tmp_path / "backup.zip", tmp_path / "again"

    def run(*words: object) -> tuple[int, str]:
        done = CliRunner().invoke(app, [str(word) for word in ("ward", *words)])
        return done.exit_code, done.output

    assert run("backup", "--ward", batch.path, "--to", backup)[0] == 0
    path = batch.path / "ward.db"
    path.write_bytes(path.read_bytes()[:left])
    status, said = run("check", "--ward", batch.path)
    assert (status in (1, 2), "restore" in said, "Traceback" in said) == (True, True, False), said
    assert run("restore", backup, "--ward", again)[0] == 0
    assert difference(wanted, state_of(again)) == []


# A backup from a hostile hand.


@pytest.mark.parametrize("name", ["../../outside.jpg", "/outside.jpg", "tiles/../../outside.jpg"])
def test_a_ledger_that_names_files_outside_is_not_brought_back(
    batch: Desk, tmp_path: Path, name: str
) -> None:
    batch.score()
    with batch.ward() as ward:
        ward.db.execute("update readings set mask = ? where tile != ''", [name])
        ward.db.conn.commit()
    (tmp_path / "outside.jpg").write_bytes(b"mine")
    backup = tmp_path / "backup.zip"
    for words in (("backup", "--to", backup), ("restore", backup)):
        to = batch.path if words[0] == "backup" else tmp_path / "again"
        done = CliRunner().invoke(app, [str(word) for word in ("ward", *words, "--ward", to)])
    assert (done.exit_code, "which is none of the ward's" in done.stderr) == (2, True)
    assert not (tmp_path / "again").exists()
    # And measuring again in that ward takes nothing away that is not its own.
    batch.score()
    assert (tmp_path / "outside.jpg").read_bytes() == b"mine"


def test_a_backup_larger_than_the_disk_is_refused_before_it_is_written(
    batch: Desk, tmp_path: Path
) -> None:
    batch.score()
    backup, false = tmp_path / "backup.zip", tmp_path / "false.zip"
    CliRunner().invoke(app, ["ward", "backup", "--ward", str(batch.path), "--to", str(backup)])
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(false, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "contents.json":
                told = json.loads(data)
                told["files"]["ward.db"][1] = 10**15
                data = json.dumps(told).encode()
            new.writestr(name, data)
    again = tmp_path / "again"
    done = CliRunner().invoke(app, ["ward", "restore", str(false), "--ward", str(again)])
    assert (done.exit_code, "but there is room for" in done.stderr) == (2, True)
    assert not again.exists()
