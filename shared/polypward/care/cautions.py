"""Cautions: where work can hurt someone, said once before the task it belongs to.

The texts are data, `cautions.toml` in `polypward.facts`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final

from polypward.errors import BadInputError
from polypward.facts import load_facts

__all__ = ["NOTE", "Caution", "caution_tasks", "cautions_of", "every_caution"]

# Stands under every caution.
NOTE: Final = "common practice; local rules and licensed practice decide"


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution: its key, a title of few words, the text, and the tasks it belongs to."""

    key: str
    title: str
    text: str
    tasks: tuple[str, ...]


@cache
def every_caution() -> Mapping[str, Caution]:
    """Return all cautions by key, in the order of the file."""
    return MappingProxyType(
        {
            key: Caution(
                key=key,
                title=entry["title"],
                text=" ".join(entry["text"].split()),
                tasks=tuple(entry["tasks"]),
            )
            for key, entry in load_facts("cautions").items()
        }
    )


def caution_tasks() -> tuple[str, ...]:
    """Return the tasks that have any caution, by name."""
    return tuple(sorted({task for one in every_caution().values() for task in one.tasks}))


def cautions_of(task: str) -> tuple[Caution, ...]:
    """Return the cautions of a task, in the order of the file.

    Raises
    ------
    BadInputError
        If no caution names the task: a misspelt task would silently warn of nothing.
    """
    if task not in caution_tasks():
        raise BadInputError(f'"{task}" is no task with cautions; {", ".join(caution_tasks())} are')
    return tuple(one for one in every_caution().values() if task in one.tasks)
