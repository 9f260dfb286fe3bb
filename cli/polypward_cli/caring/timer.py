"""A timer on the terminal: counts down, then rings for a minute."""

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

__all__ = ["wait_until"]

# Pumps are loud and hands are wet: one ring is missed. Own choice.
RINGS: Final = 12
RING_EVERY_S: Final = 5.0


def wait_until(
    due: datetime,
    *,
    say: Callable[[str], None],
    ring: Callable[[int], None],
    now: Callable[[], datetime],
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Wait until a time, saying how long is left each minute and in the last seconds; then ring.

    Parameters
    ----------
    due : datetime
        Aware.
    say : callable of str
        Shows a line.
    ring : callable of int
        Rings once; called with 0, 1, 2 ... every five seconds for a minute.
    now, sleep : callables
        The clock, and how to wait some seconds.
    """
    while (left := due - now()) > timedelta(0):
        seconds = left.total_seconds()
        if seconds > 60:
            minutes = int(-(-seconds // 60))
            say(f"{minutes} min to go")
            sleep(seconds - 60 * (minutes - 1))
        elif seconds > 10:
            say("less than a minute to go")
            sleep(seconds - 10)
        else:
            say(f"{int(-(-seconds // 1))} s")
            sleep(min(1.0, seconds))
    for number in range(RINGS):
        ring(number)
        if number < RINGS - 1:
            sleep(RING_EVERY_S)
