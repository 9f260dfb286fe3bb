"""A folder that is replaced as a whole: complete, or as it was before."""

import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from polypward.errors import PolypwardError

__all__ = ["fresh_folder"]


@contextmanager
def fresh_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder beside `target`; when the block ends well it takes `target`'s place.

    If the block raises, or the program is killed in it, `target` stays as it was. What a killed
    run left beside it is swept away by the next.

    Raises
    ------
    PolypwardError
        If `target` cannot be replaced, e.g. because another program holds a file in it open.
    """
    for left in target.parent.glob(f".{target.name}-*"):
        shutil.rmtree(left, ignore_errors=True)
    token = secrets.token_hex(4)
    fresh = target.with_name(f".{target.name}-new-{token}")
    old = target.with_name(f".{target.name}-old-{token}")
    fresh.mkdir(parents=True)
    try:
        yield fresh
        _swap(fresh, target, old)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def _swap(fresh: Path, target: Path, old: Path) -> None:
    there = target.exists()
    try:
        if there:
            target.rename(old)
        try:
            fresh.rename(target)
        except OSError:
            if there:
                with suppress(OSError):
                    old.rename(target)
            raise
    except OSError as error:
        raise PolypwardError(
            f"{target}: cannot be replaced ({error.strerror}). "
            "Close the programs that show files of it, then try again."
        ) from error
