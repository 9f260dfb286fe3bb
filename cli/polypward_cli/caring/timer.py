"""A timer on the terminal: counts down, rings, and says what to do."""

import time
from collections.abc import Callable
from datetime import datetime, timedelta

__all__ = ["wait_until"]


def wait_until(
    due: datetime,
    *,
    say: Callable[[str], None],
    now: Callable[[], datetime],
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Wait until a time, saying how long is left each minute and each of the last ten seconds.

    Parameters
    ----------
    due : datetime
        Aware.
    say : callable of str
        Shows a line.
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
