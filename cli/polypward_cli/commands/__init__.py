"""The commands, one file each; this file only collects them.

A module's `app` is its group of commands: with a `NAME` it becomes `polypward NAME ...`, without
one its commands stand at the top.
"""

from importlib import import_module
from importlib.util import find_spec

import typer

__all__ = ["add_commands"]

# In the order of the help.
MODULES = ("score", "rounds", "report", "intake", "assign", "care", "card", "demo")


def add_commands(app: typer.Typer) -> None:
    """Add every command to `app`."""
    for name in MODULES:
        full = f"{__name__}.{name}"
        if find_spec(full) is None:
            continue
        module = import_module(full)
        app.add_typer(module.app, name=getattr(module, "NAME", None))
