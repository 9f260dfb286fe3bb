"""How scoring sees: the one place where the desk calls on vision, replaceable by a test's own."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward.records import Card, PhotoSettings, Reading

if TYPE_CHECKING:
    from polypward_vision.tissue import TissueModel
    from polypward_vision.tissue.taught import TaughtModel

__all__ = ["Eyes", "Opened", "RealEyes", "Seen"]


@dataclass(frozen=True, slots=True)
class Opened:
    """A decoded photo: what its own data say of it, and whatever measuring takes.

    `taken_at` is by the camera's clock, `gps_at` by its satellite fix; `camera` is maker and model.
    """

    taken_at: datetime | None
    photo: Any
    camera: str = ""
    gps_at: datetime | None = None


class Seen(Protocol):
    """What measuring one photo returns (see ``polypward_vision.PhotoResult``)."""

    @property
    def reading(self) -> Reading:
        """The measures."""

    @property
    def tile(self) -> npt.NDArray[np.uint8] | None:
        """The cut-out, (rows, cols, 3) RGB in the photo's own values."""

    @property
    def mask(self) -> npt.NDArray[np.uint8] | None:
        """The tissue map, (rows, cols) labels."""

    @property
    def correction(self) -> Mapping[str, Any]:
        """What is needed to redo colour from the cut-out, JSON values."""

    @property
    def patch_residuals(self) -> npt.NDArray[np.float64] | None:
        """What the card's patches missed by, (P, 3) Lab."""

    @property
    def tags(self) -> tuple[str, ...]:
        """Texts of the specimen tags in view."""


class Eyes(Protocol):
    """Opens and measures photos; travels to worker processes, so it holds nothing large."""

    @property
    def version(self) -> str:
        """Name of the model; readings by another one are measured again."""

    def open(self, path: Path) -> Opened:
        """Decode a photo; raises PhotoRejectedError."""

    def measure(
        self,
        opened: Opened,
        *,
        settings: PhotoSettings,
        cards: Sequence[Card],
        print_residuals: Mapping[str, npt.NDArray[np.float64]],
        **known: Any,
    ) -> Seen:
        """Measure a decoded photo; raises PhotoRejectedError.

        `known` is what the ward knows of a few photos only: ``corrected_map``.
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class RealEyes:
    """The eyes of the tool: polypward_vision with its base model.

    `taught` is the ward's own layer on top of it as JSON text, "" without one.
    """

    taught: str = ""
    taught_version: str = ""

    @property
    def version(self) -> str:
        """Version of the model."""
        return self.taught_version or _model("", "").version

    def open(self, path: Path) -> Opened:
        """Decode the photo at `path`."""
        from polypward_vision.load import load_photo

        photo = load_photo(path)
        return Opened(photo.taken_at, photo, photo.camera, photo.gps_at)

    def measure(
        self,
        opened: Opened,
        *,
        settings: PhotoSettings,
        cards: Sequence[Card],
        print_residuals: Mapping[str, npt.NDArray[np.float64]],
        **known: Any,
    ) -> Seen:
        """Measure the photo against the ward's cards."""
        from polypward_vision import measure_photo

        seen: Seen = measure_photo(
            opened.photo,
            settings=settings,
            cards=cards,
            model=_model(self.taught, self.taught_version),
            print_residuals=print_residuals,
            **known,
        )
        return seen


@cache
def _model(taught: str, version: str) -> "TissueModel | TaughtModel":
    from polypward_vision.tissue import load_base_model

    if not taught:
        return load_base_model()
    from polypward_vision.tissue.taught import taught_from_arrays

    try:
        arrays = json.loads(taught)
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"the ward's own model is damaged ({error})") from error
    return taught_from_arrays(arrays, base=_model("", ""), version=version)
