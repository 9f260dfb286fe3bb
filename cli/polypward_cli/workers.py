"""Many photos measured at a time: processes of this computer, which end with the run."""

import os
import signal
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from typing import Final

from polypward_cli.measuring import Bench, Job, Measured, measure_one, not_measured

__all__ = ["AHEAD", "follow_parent", "measure_all", "one_thread", "workers_for"]

# Photos on their way per worker, so that none waits for the parent.
AHEAD: Final = 2
# More processes than this gain nothing on the disks people have.
MAX_WORKERS: Final = 8
# Starting a process costs about as much as measuring this many photos.
PHOTOS_PER_WORKER: Final = 4


def measure_all(jobs: Iterable[Job], bench: Bench, *, workers: int) -> Iterator[Measured]:
    """Measure every job, yielding each as it is done; with one worker in this process.

    A worker that dies (memory, a decoder's crash) costs the one photo that killed it.
    """
    if workers <= 1:
        one_thread()
        for job in jobs:
            yield measure_one(job, bench)
        return
    waiting = iter(jobs)
    while True:
        lost: list[Job] = []
        yield from _in_pool(waiting, bench, workers, lost)
        if not lost:
            return
        for job in lost:
            alone: list[Job] = []
            yield from _in_pool(iter([job]), bench, 1, alone)
            if alone:
                yield not_measured(job)


def _in_pool(
    jobs: Iterator[Job], bench: Bench, workers: int, lost: list[Job]
) -> Iterator[Measured]:
    """Run jobs in fresh processes; those under way when one dies are put into `lost`."""
    pool = ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_start_worker, initargs=(bench,)
    )
    try:
        running: dict[Future[Measured], Job] = {}
        more = True
        while True:
            while more and not lost and len(running) < workers * AHEAD:
                job = next(jobs, None)
                if job is None:
                    more = False
                    break
                try:
                    running[pool.submit(_measure_here, job)] = job
                except BrokenProcessPool:
                    lost.append(job)
            if not running:
                return
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                job = running.pop(future)
                try:
                    measured = future.result()
                except BrokenProcessPool:
                    lost.append(job)
                else:
                    yield measured
    finally:
        pool.shutdown(cancel_futures=True)


_bench: Bench | None = None


def _start_worker(bench: Bench) -> None:
    """Prepare a worker process."""
    global _bench
    _bench = bench
    follow_parent()
    one_thread()


def follow_parent() -> None:
    """Let this worker process end with its parent, which alone answers to the keyboard."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _end_with_parent() -> None:
    """End this process when its parent was killed, which nobody else would tell it."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def one_thread() -> None:
    """Let every library count with one thread: same sums in any process, one core a worker."""
    import cv2
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    cv2.setNumThreads(1)
    threadpool_limits(1)


def _measure_here(job: Job) -> Measured:
    assert _bench is not None
    return measure_one(job, _bench)


def workers_for(asked: int | None, jobs: int) -> int:
    """Return how many processes to use: as asked, else as many as cores and photos warrant.

    Parameters
    ----------
    asked : int or None
        What a person asked for.
    jobs : int
        Photos to measure; never more processes than that.

    Returns
    -------
    int
        At least 1.
    """
    if asked is not None:
        return max(1, min(asked, jobs))
    return max(1, min(os.cpu_count() or 1, MAX_WORKERS, jobs // PHOTOS_PER_WORKER))
