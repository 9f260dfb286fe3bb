"""The desk: commands, the ward, folders, workers and the report.

For your own scripts: `Ward`, whose `open` reads a ward's ledger.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from polypward_cli.ward import Ward

__all__ = ["Ward"]


def __getattr__(name: str) -> Any:
    """Import the ward only where it is asked for."""
    if name != "Ward":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from polypward_cli.ward import Ward

    return Ward
