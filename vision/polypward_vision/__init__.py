"""From one photo of a specimen beside its card to one reading."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from polypward_vision.photo import DecodedPhoto
    from polypward_vision.read import measure_photo
    from polypward_vision.reading import read_photo
    from polypward_vision.result import PhotoResult

__all__ = ["DecodedPhoto", "PhotoResult", "measure_photo", "read_photo"]

_HOMES = {
    "DecodedPhoto": "polypward_vision.photo",
    "PhotoResult": "polypward_vision.result",
    "measure_photo": "polypward_vision.read",
    "read_photo": "polypward_vision.reading",
}


def __getattr__(name: str) -> Any:
    """Import what is asked for only then: OpenCV takes a fifth of a second."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
