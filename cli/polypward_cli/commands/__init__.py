"""The commands, one file each; this file only collects them.

A module's `app` is its group of commands: with a `NAME` it becomes `polypward NAME ...`, without
one its commands stand at the top.
"""

import inspect
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any

import typer

__all__ = ["add_commands", "put_under_headings"]

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
    """Add every command to `app`, under its heading of the help; lines of help fit any width."""
    for names in MODULES.values():
        for name in names:
            module = import_module(f"{__name__}.{name}")
            app.add_typer(module.app, name=getattr(module, "NAME", None))
    put_under_headings(app, MODULES)
    _flow_help(app)


def put_under_headings(app: typer.Typer, headings: Mapping[str, Sequence[str]]) -> None:
    """Show the commands of `app` under headings in its help; each name stands in one of them."""
    heading_of = {name: heading for heading, names in headings.items() for name in names}
    for command in app.registered_commands:
        name = command.name or (command.callback.__name__ if command.callback else "")
        if name in heading_of:
            command.rich_help_panel = heading_of[name]
    for group in app.registered_groups:
        if not group.name and group.typer_instance:
            put_under_headings(group.typer_instance, headings)
        elif group.name in heading_of:
            group.rich_help_panel = heading_of[group.name]


def _flow_help(app: typer.Typer) -> None:
    """Let the paragraphs of each help break at the terminal's edge, not as the code breaks them."""
    if app.registered_callback and app.registered_callback.callback:
        app.registered_callback.help = _flowed(app.registered_callback.callback)
    for command in app.registered_commands:
        if command.callback:
            command.help = _flowed(command.callback)
    for group in app.registered_groups:
        if group.typer_instance:
            _flow_help(group.typer_instance)


def _flowed(told: Callable[..., Any]) -> str:
    paragraphs = (inspect.getdoc(told) or "").split("\n\n")
    return "\n\n".join(
        paragraph if paragraph.startswith(" ") else " ".join(paragraph.split())
        for paragraph in paragraphs
    )
