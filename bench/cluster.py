"""``python -m bench.cluster [MB ...]``: what a photo costs more on a worker of a scheduler.

A scheduler and one worker run on this computer; CPU seconds are counted in all of them, so that
other work on the computer does not matter. Linux only.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

__all__ = ["main"]

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
FEW, MANY = 4, 20


def _photos(folder: Path, many: int, megabytes: float) -> Path:
    """Copy sample photos until there are `many`, each made `megabytes` long by bytes at its end."""
    folder.mkdir()
    sources = sorted(SAMPLES.rglob("*.jpg"))
    for number in range(many):
        data = sources[number % len(sources)].read_bytes()
        filling = max(0, round(megabytes * 1e6) - len(data))
        (folder / f"s{number:03d}.jpg").write_bytes(data + bytes([number]) + bytes(filling))
    return folder


def _cpu_of(process: int) -> float:
    """CPU seconds that a process has used."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _score(folder: Path, ward: Path, *more: str) -> float:
    """Run ``polypward score``; its CPU seconds."""
    words = [sys.executable, "-c", "from polypward_cli.main import app; app()", "score"]
    words += [str(folder), "--ward", str(ward), "--lamp", "white", *more]
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = status
    if status:
        raise RuntimeError(f"score ended with {status}")
    return used.ru_utime + used.ru_stime


def main() -> int:
    """Measure, print a row for each size of photo."""
    sizes = [float(word) for word in sys.argv[1:]] or [0.2, 4.0, 12.0]
    print("| photo | in one process | client | scheduler | worker | more |")
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    for megabytes in sizes:
        with tempfile.TemporaryDirectory() as name:
            root = Path(name)
            few, many = (_photos(root / str(n), n, megabytes) for n in (FEW, MANY))
            alone = [_score(one, root / f"a{one.name}", "--workers", "1") for one in (few, many)]
            spent = _on_cluster(root, few, many)
            per = {what: (b - a) / (MANY - FEW) for what, (a, b) in spent.items()}
            plain = (alone[1] - alone[0]) / (MANY - FEW)
            cells = " | ".join(f"{1000 * per[what]:.0f} ms" for what in per)
            more = 1000 * (sum(per.values()) - plain)
            print(
                f"| {megabytes:g} MB | {1000 * plain:.0f} ms | {cells} | {more:+.0f} ms |",
                flush=True,
            )
            shutil.rmtree(root / "dask", ignore_errors=True)
    return 0


def _on_cluster(root: Path, few: Path, many: Path) -> dict[str, tuple[float, float]]:
    """CPU seconds of client, scheduler and worker for both folders, a warm-up before them."""
    module = [sys.executable, "-m"]
    file = root / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": root}
    scheduler = subprocess.Popen(
        [*module, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
         "--no-dashboard", "--scheduler-file", str(file)], **quiet)  # type: ignore[call-overload]  # fmt: skip
    worker = None
    try:
        while not file.exists():
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        worker = subprocess.Popen(
            [*module, "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny",
             "--no-dashboard"], **quiet)  # type: ignore[call-overload]  # fmt: skip
        _score(few, root / "warm", "--scheduler", address)
        found: dict[str, list[float]] = {"client": [], "scheduler": [], "worker": []}
        for folder in (few, many):
            before = _cpu_of(scheduler.pid), _cpu_of(worker.pid)
            found["client"].append(_score(folder, root / f"c{folder.name}", "--scheduler", address))
            found["scheduler"].append(_cpu_of(scheduler.pid) - before[0])
            found["worker"].append(_cpu_of(worker.pid) - before[1])
        return {what: (a, b) for what, (a, b) in found.items()}
    finally:
        for process in (worker, scheduler):
            if process is not None:
                process.kill()
                process.wait()


if __name__ == "__main__":
    sys.exit(main())
