"""The commands, one file each; this file only collects them.

A module's `app` is its group of commands: with a `NAME` it becomes `polypward NAME ...`, without
one its commands stand at the top.
"""

from importlib import import_module

import typer

__all__ = ["add_commands"]

# In the order of the help, everyday commands first.
MODULES = {
    "Every day": ("score", "rounds", "look", "care", "phone", "report"),
    "Arrivals, names and sales": (
        "intake",
        "unpack",
        "claim",
        "labels",
        "specimen",
        "assign",
        "batch",
    ),
    "Setting up and keeping": ("card", "ward", "demo"),
    "For those who look closer": ("course", "teach", "camera"),
}


def add_commands(app: typer.Typer) -> None:
    """Add every command to `app`, under its heading of the help."""
    for heading, names in MODULES.items():
        for name in names:
            module = import_module(f"{__name__}.{name}")
            for command in module.app.registered_commands if not hasattr(module, "NAME") else ():
                command.rich_help_panel = heading
            app.add_typer(module.app, name=getattr(module, "NAME", None), rich_help_panel=heading)
