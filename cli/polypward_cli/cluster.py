"""Many photos measured on other computers, by the workers of a dask.distributed scheduler.

A photo's bytes go to a worker, its reading, cut-out and map come back; this process alone writes
the ward. Workers need polypward and nothing else: no shared folder, no ward. Whoever reaches the
scheduler may run programs on all of its computers, so it belongs into a network of one's own.
"""

import warnings
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from polypward.errors import BadInputError
from polypward.records import PhotoSettings
from polypward_cli.measuring import (
    Bench,
    Job,
    Measured,
    measure_one,
    not_measured,
    not_opened,
    write_pictures,
)
from polypward_cli.small import SMALL
from polypward_cli.workers import AHEAD, one_thread

__all__ = ["measure_on", "measure_there"]

CONNECT_S: Final = 20
# What a worker sends back besides the row: files below the ward, by path.
Pictures = dict[str, bytes]


def measure_on(address: str, jobs: Iterable[Job], bench: Bench) -> Iterator[Measured]:
    """Measure jobs on a scheduler's workers, yielding each as it is done.

    A worker that dies costs no photo: the scheduler gives its photos to another one.

    Parameters
    ----------
    address : str
        Of the scheduler, ``"tcp://192.168.1.5:8786"``.
    jobs : iterable of Job
    bench : Bench
        What they are measured with; goes along with every photo.

    Raises
    ------
    BadInputError
        If the extra is not installed, nothing answers at the address, no worker is there, a worker
        has other versions, or the scheduler goes away. What was measured by then was yielded.
    """
    with warnings.catch_warnings(), _connected(address) as client:
        # Each photo travels with its task, so that a worker's death loses none.
        warnings.filterwarnings("ignore", message="Sending large graph")
        yield from _on_workers(client, jobs, bench)


def _connected(address: str) -> Any:
    """Return a client of the scheduler at `address` that has workers."""
    distributed = _distributed()
    client = None
    try:
        client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        client.wait_for_workers(1, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        if client is not None:
            client.close()
        raise BadInputError(
            f"{address}: no scheduler with workers answers ({str(error)[:200] or 'timeout'}). "
            "Start one: dask scheduler; and on each computer: dask worker ADDRESS --nthreads 1"
        ) from error
    return client


def _distributed() -> Any:
    try:
        import distributed
        import distributed.client
    except ImportError as error:
        raise BadInputError(
            "--scheduler needs an extra that is not installed: pip install 'polypward[cluster]'"
        ) from error
    return distributed


def _on_workers(client: Any, jobs: Iterable[Job], bench: Bench) -> Iterator[Measured]:
    waiting = iter(jobs)
    running: dict[Any, Job] = {}
    done = _distributed().as_completed(loop=client.loop)
    more = True
    while True:
        # Workers may come and go while it runs.
        while more and len(running) < AHEAD * max(1, sum(client.ncores().values())):
            job = next(waiting, None)
            if job is None:
                more = False
                break
            try:
                data = job.path.read_bytes()
            except OSError as error:
                yield not_opened(job, error)
                continue
            away = replace(job, path=Path(job.path.name))
            there = replace(bench, ward=Path())
            future = client.submit(measure_there, data, away, there, _marks(bench), pure=False)
            running[future] = job
            done.add(future)
        if not running:
            return
        future = next(done)
        yield _received(future, running.pop(future), bench)
        future.release()


def _received(future: Any, job: Job, bench: Bench) -> Measured:
    distributed = _distributed()
    measured: Measured
    try:
        measured, pictures = future.result()
    except distributed.KilledWorker:
        return not_measured(job)
    except distributed.client.FutureCancelledError as error:
        raise BadInputError(
            "The scheduler went away while photos were measured. What was measured before is "
            "kept; run it again."
        ) from error
    write_pictures(bench.ward, pictures)
    return replace(measured, job=job)


def measure_there(
    data: bytes, job: Job, bench: Bench, marks: tuple[tuple[str, str], ...]
) -> tuple[Measured, Pictures]:
    """Measure one photo in a worker, away from the ward.

    Parameters
    ----------
    data : bytes
        The photo's file.
    job, bench : Job, Bench
        As in `measure_one`; the paths in them mean nothing here.
    marks : tuple of (name, version)
        What the ward's own computer measures with; another version may give other figures.

    Raises
    ------
    BadInputError
        If a version differs.
    """
    for (name, wanted), (_, own) in zip(marks, _marks(bench), strict=True):
        if wanted != own:
            raise BadInputError(
                f"a worker of the cluster has {name} {own}, this computer {wanted}; install the "
                "same on all, so that every photo is measured alike"
            )
    one_thread()
    with TemporaryDirectory(prefix="polypward-") as folder:
        spare = Path(folder)
        path = spare / job.path.name
        path.write_bytes(data)
        measured = measure_one(replace(job, path=path), replace(bench, ward=spare))
        pictures = {
            f"{kind}/{file.name}": file.read_bytes()
            for kind in ("tiles", "masks", SMALL)
            for file in sorted((spare / kind).glob("*"))
        }
    nothing = Job(key=job.key, path=Path(), name=job.name, settings=PhotoSettings())
    return replace(measured, job=nothing), pictures


def _marks(bench: Bench) -> tuple[tuple[str, str], ...]:
    """Return the versions that figures depend on."""
    import cv2
    import numpy
    import PIL

    from polypward import __version__

    return (
        ("polypward", __version__),
        ("the tissue model", bench.eyes.version),
        ("OpenCV", cv2.__version__),
        ("NumPy", numpy.__version__),
        ("Pillow", PIL.__version__),
    )
