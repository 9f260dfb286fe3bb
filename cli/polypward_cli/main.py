"""The polypward command."""

import typer

app = typer.Typer()
