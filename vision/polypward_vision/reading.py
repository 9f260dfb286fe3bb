"""The convenient way in for scripts: a file to a reading in one call."""

from collections.abc import Sequence
from functools import cache

from polypward.records import Card, PhotoSettings
from polypward_vision.read import measure_photo
from polypward_vision.result import PhotoResult
from polypward_vision.tissue import TissueModel, load_base_model

__all__ = ["read_photo"]

_base_model = cache(load_base_model)


def read_photo(
    path: str,
    *,
    settings: PhotoSettings | None = None,
    cards: Sequence[Card] = (),
    model: TissueModel | None = None,
) -> PhotoResult:
    """Load a photo and measure it.

    Parameters
    ----------
    path : str or path
        A picture file.
    settings, cards, model
        As for `measure_photo`; by default nothing is known, and the packaged model is used.

    Raises
    ------
    PhotoRejectedError
        With the reason's code and what was seen.
    OSError
        If the file cannot be read.
    """
    from polypward_vision.load import load_photo

    return measure_photo(
        load_photo(path),
        settings=settings or PhotoSettings(),
        cards=cards,
        model=model or _base_model(),
    )
