"""What a person says of the photos of a run, and the photos it is said of."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from polypward_cli.files import sha256_of_file
from polypward_cli.manifest import Manifest
from polypward_cli.scan import Found

__all__ = ["Options", "RunPhoto", "identity_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What a person says of all photos of a run; None = nothing said, the earlier word stays."""

    height_mm: float | None = None
    water_mm: float | None = None
    lamp: str | None = None
    mm_per_px: float | None = None
    manifest: Manifest = field(default_factory=lambda: Manifest({}))
    outlines: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    workers: int | None = None
    # Address of a dask.distributed scheduler whose workers measure.
    scheduler: str = ""

    def flags(self) -> dict[str, Any]:
        """Return what was given on the command line, by name."""
        named = {
            "height_mm": self.height_mm,
            "water_mm": self.water_mm,
            "lamp": self.lamp,
            "mm_per_px": self.mm_per_px,
        }
        return {name: value for name, value in named.items() if value is not None}


@dataclass(slots=True)
class RunPhoto:
    """A photo of the run: its row of `photos`, and every file that holds its bytes."""

    row: dict[str, Any]
    files: list[Found]

    @property
    def key(self) -> str:
        """The photo's key in the ledger."""
        return cast("str", self.row["key"])


def identity_of(found: Found) -> tuple[str, str, int | None]:
    """Return a photo's key, SHA-256 (hex) and size in bytes.

    Parameters
    ----------
    found : Found
        A file of the scan.

    Returns
    -------
    key, sha256 : str
        The key is the SHA-256. Files without bytes, or whose bytes cannot be read, are all alike:
        their path is their key.
    size : int or None
        None where the file cannot be read; its SHA-256 is then empty.
    """
    try:
        size = found.path.stat().st_size
        sha256 = sha256_of_file(found.path)
    except OSError:
        return f"unreadable:{found.photo}", "", None
    return (sha256, sha256, size) if size else (f"empty:{found.photo}", sha256, 0)
