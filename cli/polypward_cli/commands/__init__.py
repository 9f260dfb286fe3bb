"""The commands, one file each; this file only collects them.

A module's `app` is its group of commands: with a `NAME` it becomes `polypward NAME ...`, without
one its commands stand at the top.
"""

from importlib import import_module

import typer

__all__ = ["add_commands"]

# In the order of the help.
MODULES = (
    *(
        "score",
        "rounds",
        "look",
        "phone",
        "report",
        "intake",
        "unpack",
        "assign",
        "claim",
        "batch",
        "labels",
    ),
    *("specimen", "course", "care", "card", "camera", "teach", "ward", "demo"),
)


def add_commands(app: typer.Typer) -> None:
    """Add every command to `app`."""
    for name in MODULES:
        module = import_module(f"{__name__}.{name}")
        app.add_typer(module.app, name=getattr(module, "NAME", None))
