"""One writer: whatever the phone page changes in the ward goes through this thread, in order.

The ward's lock is held while there is something to write and given back in between, so that
other commands of polypward run beside the page.
"""

import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from polypward.errors import BadInputError
from polypward_cli.phone.inbox import PHOTOS
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import publish_residuals
from polypward_cli.ward.kept_courses import pooled_of, refresh

if TYPE_CHECKING:
    from polypward.course import PooledSd

__all__ = ["Writer"]

T = TypeVar("T")

# Seconds between two tries while another polypward works in the ward.
RETRY_S: Final = 0.2
# A tap is told after this many seconds that another polypward is still at work.
PATIENCE_S: Final = 10.0
# Changed courses are worked out after a rest of at least this long, and of this many times what
# it took the last time, so that a large ward's photos do not wait for it. How long the first one
# takes is not known: it waits a second for each thousand photos.
REST_S: Final = 3.0
REST_FACTOR: Final = 10.0
REST_PER_PHOTO_S: Final = 0.001
# Rest before the next try where the ward could not be written.
TROUBLE_S: Final = 30.0


@dataclass(slots=True)
class _Job:
    work: Callable[[Ward], Any]
    done: "Future[Any]"
    give_up_at: float | None
    changes: bool


class Writer:
    """Does jobs on a ward one after another in a thread of its own.

    Parameters
    ----------
    ward : Path
        The ward's folder.
    patience_s : float
        How long a job that is given no patience of its own waits for the ward's lock, seconds.
    """

    def __init__(self, ward: Path, *, patience_s: float = PATIENCE_S) -> None:
        self.path = ward
        self._patience_s = patience_s
        self._jobs: queue.Queue[_Job | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, name="ward writer")
        # On the disk as well, so that a killed page computes at its next start what is missing.
        self._mark = ward / PHOTOS / "waiting" / "stale"
        self._stale = self._mark.exists()
        self._rest_s = REST_S
        self._closing = False
        self.pooled: PooledSd | None = None

    def start(self) -> None:
        """Start the thread and learn how well photos repeat in this ward."""
        self._thread.start()
        self.submit(self._begin, patient=True, changes=False)

    def stop(self) -> None:
        """Finish what is waiting, compute the courses if they are stale, end the thread."""
        self._jobs.put(None)
        if self._thread.is_alive():
            self._thread.join()

    def submit(
        self, work: Callable[[Ward], T], *, patient: bool = False, changes: bool = True
    ) -> "Future[T]":
        """Have `work` done on the open ward while its lock is held.

        Parameters
        ----------
        work : callable
            Takes the ward. It runs in the writer's thread.
        patient : bool
            Wait for the lock as long as it takes; else the future fails after the patience.
        changes : bool
            Whether figures may follow from it; without, nothing is computed again.

        Returns
        -------
        Future
            What `work` returns or raises; a `BadInputError` where the lock was not free in time.
        """
        done: Future[T] = Future()
        give_up = None if patient else time.monotonic() + self._patience_s
        self._jobs.put(_Job(work, done, give_up, changes))
        return done

    def refreshed(self) -> bool:
        """Say whether the figures of all specimens stand on all that was written."""
        return not self._stale

    def _run(self) -> None:
        while True:
            try:
                job = self._jobs.get(timeout=self._rest_s if self._stale else None)
            except queue.Empty:
                self._hold([], self._refresh)
                continue
            if job is None:
                left: list[_Job] = []
                self._take_more(left)
                self._closing = True
                self._hold(left, self._refresh)
                return
            self._hold([job], lambda ward: None)

    def _hold(self, waiting: list[_Job], last: Callable[[Ward], None]) -> None:
        """Take the lock, do the jobs that wait and those that come meanwhile, then the last."""
        had_some = bool(waiting)
        while True:
            try:
                with Ward.open(self.path) as ward, ward.working("phone"):
                    self._work(ward, waiting)
                    last(ward)
                return
            except BadInputError as error:  # another polypward is at work
                for job in [job for job in waiting if self._gives_up(job)]:
                    waiting.remove(job)
                    job.done.set_exception(error)
            except Exception as error:  # a full disk, a ledger that cannot be written
                while waiting:
                    waiting.pop(0).done.set_exception(error)
                self._rest_s = TROUBLE_S
                return
            if not waiting and (had_some or self._closing or not self._jobs.empty()):
                return
            time.sleep(RETRY_S)
            self._take_more(waiting)
            had_some = had_some or bool(waiting)

    def _gives_up(self, job: _Job) -> bool:
        out_of_patience = job.give_up_at is not None and time.monotonic() > job.give_up_at
        return self._closing or out_of_patience

    def _take_more(self, waiting: list[_Job]) -> None:
        """Move what came meanwhile behind what waits; the sign to end stays in the queue."""
        while not self._jobs.empty():
            job = self._jobs.get()
            if job is None:
                self._jobs.put(None)
                return
            waiting.append(job)

    def _work(self, ward: Ward, waiting: list[_Job]) -> None:
        while waiting:
            job = waiting.pop(0)
            if job.done.set_running_or_notify_cancel():
                if job.changes and not self._stale:
                    self._note_stale()
                try:
                    result = job.work(ward)
                except Exception as error:
                    job.done.set_exception(error)
                else:
                    job.done.set_result(result)
            self._take_more(waiting)

    def _refresh(self, ward: Ward) -> None:
        """Work out the courses that changed and write both tables, as `score` does at its end."""
        if not self._stale:
            return
        began = time.monotonic()
        publish_residuals(ward)
        refresh(ward)
        self._learn(ward)
        self._mark.unlink(missing_ok=True)
        self._rest_s = max(REST_S, REST_FACTOR * (time.monotonic() - began))
        self._stale = False

    def _begin(self, ward: Ward) -> None:
        self._rest_s = max(REST_S, REST_PER_PHOTO_S * ward.db.table("photos").count)
        self._learn(ward)

    def _learn(self, ward: Ward) -> None:
        """Pool how well photos repeat, which every course needs."""
        self.pooled = pooled_of(ward)

    def _note_stale(self) -> None:
        self._mark.parent.mkdir(parents=True, exist_ok=True)
        self._mark.touch()
        self._stale = True
