"""`polypward` in a process of its own that is killed, stopped or starved on purpose (POSIX).

The process is forked from one that has imported everything, so that a case costs its photos only.
"""

import os
import signal
import sqlite3
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Ended", "Limits", "run", "run_work", "warm_up"]

WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
EVENTS = frozenset({"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What befalls the process; everything at its default: nothing.

    `kill_after` in seconds from its start; `kill_at` the number of a point of writing; `no_room_at`
    the point from which on the disk is full; `before` is called in it before the command.
    """

    kill_after: float | None = None
    kill_at: int | None = None
    no_room_at: int | None = None
    before: Callable[[], None] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How it ended: exit status (negative: the signal), what it printed, points of writing, s."""

    status: int
    output: str
    points: int
    seconds: float

    @property
    def clear(self) -> bool:
        """Whether it ended by itself, without a traceback."""
        return 0 <= self.status < 70 and "Traceback" not in self.output


def warm_up() -> None:
    """Import what `score` needs, so that forked processes need not."""
    import cv2
    import PIL.Image

    from polypward_cli import closing, main, measuring, scoring  # noqa: F401
    from polypward_cli.eyes import _model
    from polypward_cli.life import clocks  # noqa: F401
    from polypward_cli.ward import kept_courses  # noqa: F401

    cv2.setNumThreads(1)
    _model("", "")
    PIL.Image.init()


def run(words: Sequence[object], *, log: Path, limits: Limits | None = None) -> Ended:
    """Run ``polypward WORDS`` in a forked process; `log` is a spare file for what it prints."""
    return run_work(lambda: _desk([str(word) for word in words]), log=log, limits=limits)


def _desk(words: list[str]) -> None:
    from polypward_cli.main import app

    app(words)


def run_work(work: Callable[[], object], *, log: Path, limits: Limits | None = None) -> Ended:
    """Run `work` in a forked process, as `run`."""
    limits = limits or Limits()
    reading, writing = os.pipe()
    start = time.monotonic()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of a fork beside threads
        child = os.fork()
    if child == 0:
        os.close(reading)
        os._exit(_child(work, log, limits, writing))
    os.close(writing)
    if limits.kill_after is not None:
        _kill_later(child, start + limits.kill_after)
    _, status = os.waitpid(child, 0)
    seconds = time.monotonic() - start
    with os.fdopen(reading, "rb") as stream:
        told = stream.read()
    return Ended(
        status=os.waitstatus_to_exitcode(status),
        output=log.read_text("utf-8", "replace"),
        points=int(told or b"0"),
        seconds=seconds,
    )


def _kill_later(child: int, at: float) -> None:
    over = os.WEXITED | os.WNOWAIT | os.WNOHANG
    while time.monotonic() < at:
        if os.waitid(os.P_PID, child, over):
            return
        time.sleep(min(0.002, max(0.0, at - time.monotonic())))
    with suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)


def _child(work: Callable[[], object], log: Path, limits: Limits, tell: int) -> int:
    """Do `work` in this process; the number of points of writing goes into the pipe `tell`."""
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
    points = _count_points(limits)
    if limits.before is not None:
        limits.before()
    status = 0
    try:
        work()
    except SystemExit as stop:
        status = stop.code if isinstance(stop.code, int) else 1
    except BaseException:
        traceback.print_exc()
        status = 70
    with suppress(OSError):
        sys.stdout.flush()
        sys.stderr.flush()
    os.write(tell, str(points[0]).encode())
    return status


def _count_points(limits: Limits) -> list[int]:
    """Count every statement of SQL, every file written, renamed, forced to the disk or removed."""
    points = [0]

    def point() -> None:
        points[0] += 1
        if points[0] == limits.kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def heard(event: str, arguments: tuple[Any, ...]) -> None:
        if event in EVENTS or (event == "open" and _writes(arguments)):
            point()
            full = limits.no_room_at is not None and points[0] >= limits.no_room_at
            if full and event == "open":
                raise OSError(28, os.strerror(28), str(arguments[0]))

    connect, fsync = sqlite3.connect, os.fsync

    def connected(*words: Any, **named: Any) -> sqlite3.Connection:
        connection = connect(*words, **named)
        connection.set_trace_callback(lambda _: point())
        return connection

    def forced(handle: int) -> None:
        point()
        fsync(handle)

    sqlite3.connect = connected
    os.fsync = forced
    sys.addaudithook(heard)
    return points


def _writes(arguments: tuple[Any, ...]) -> bool:
    return isinstance(arguments[2], int) and bool(arguments[2] & WRITING)
