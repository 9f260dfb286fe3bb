"""From a cut-out's values to CIELAB: the correction as numbers that can be kept and used again."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from polypward.errors import BadInputError
from polypward_vision.colour.field import LightField
from polypward_vision.colour.icc import Encoding
from polypward_vision.colour.science import xyz_to_lab

__all__ = ["Correction", "features", "plain_correction"]

Kind = Literal["linear", "root-polynomial"]
Array = npt.NDArray[np.float64]


def features(light: npt.NDArray[Any], kind: str) -> npt.NDArray[Any]:
    """Terms of the model, (..., 3) or (..., 6), of balanced light (..., 3).

    Root-polynomial of degree 2: R, G, B, sqrt(RG), sqrt(GB), sqrt(RB), all proportional to
    exposure (Finlayson, Mackiewicz & Hurlbert 2015, IEEE TIP 24(5):1460-1470).
    """
    if kind == "linear":
        return light
    r, g, b = np.moveaxis(np.maximum(light, 0), -1, 0)
    roots = np.stack([np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)
    return np.concatenate([light, roots.astype(light.dtype)], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Correction:
    """How Lab is made from a photo's values.

    `curves` (3, 256) is balanced light at evenly spaced values from 0 to the largest.
    ``xyz_d50 = features(light / field) @ matrix``, `matrix` (3 or 6, 3). `field` is None where the
    light is taken as even. `white` is the photo's own linear RGB of a perfect white (Y = 1) before
    any balance: what the camera made of the lamp.
    """

    kind: Kind
    curves: Array
    matrix: Array
    field: LightField | None = None
    white: tuple[float, float, float] | None = None

    def to_lab(
        self, tile: npt.NDArray[Any], *, x_mm: float, y_mm: float, mm_per_px: float
    ) -> npt.NDArray[np.float32]:
        """CIELAB D50, float32 (rows, cols, 3), of a cut-out.

        Parameters
        ----------
        tile : uint8 or uint16 array of shape (rows, cols, 3)
            The photo's own values.
        x_mm, y_mm, mm_per_px : float
            Card coordinates of its top left corner, and its scale.
        """
        light = _through_curves(tile, self.curves)
        if self.field is not None and any(self.field.terms):
            rows, cols = tile.shape[:2]
            x = x_mm + (np.arange(cols, dtype=np.float32) + 0.5) * np.float32(mm_per_px)
            y = y_mm + (np.arange(rows, dtype=np.float32) + 0.5) * np.float32(mm_per_px)
            # The field is smooth: a coarse grid of it, enlarged, is as good.
            coarse = self.field.at(x[None, ::8], y[::8, None]).astype(np.float32)
            fine = cv2.resize(cv2.merge([coarse] * 3), (cols, rows))
            light = np.asarray(cv2.divide(light, fine), np.float32)
        terms = features(light, self.kind)
        xyz = (
            cv2.transform(light, self.matrix.T.astype(np.float32))
            if self.kind == "linear"
            else terms @ self.matrix.astype(np.float32)
        )
        return np.asarray(xyz_to_lab(np.maximum(xyz, np.float32(0))), np.float32)

    def to_json(self) -> dict[str, Any]:
        """Numbers and text only, see `from_json`."""
        return {
            "kind": self.kind,
            "curves": [[float(f"{v:.5g}") for v in row] for row in self.curves],
            "matrix": [[float(f"{v:.7g}") for v in row] for row in self.matrix],
            "field": None
            if self.field is None
            else {"size_mm": list(self.field.size_mm), "terms": list(self.field.terms)},
            "white": None if self.white is None else list(self.white),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Correction":
        """Make it again from what `to_json` gave; other keys are passed over.

        Raises
        ------
        BadInputError
            If a number is missing or of the wrong shape.
        """
        try:
            field = data["field"]
            made = cls(
                kind=data["kind"],
                curves=np.array(data["curves"], np.float64),
                matrix=np.array(data["matrix"], np.float64),
                field=None
                if field is None
                else LightField(size_mm=tuple(field["size_mm"]), terms=tuple(field["terms"])),
                white=None if data.get("white") is None else tuple(data["white"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise BadInputError(f"a stored colour correction is damaged: {error!r}") from error
        terms = 3 if made.kind == "linear" else 6 if made.kind == "root-polynomial" else 0
        if made.curves.shape != (3, 256) or made.matrix.shape != (terms, 3):
            raise BadInputError("a stored colour correction has arrays of the wrong shape")
        return made


def plain_correction(icc: Encoding, white: npt.ArrayLike | None = None) -> Correction:
    """Correct by the photo's own encoding, balanced on the card's white where there is one.

    Parameters
    ----------
    icc : Encoding
        Of the photo.
    white : array of shape (3,), optional
        The photo's own linear RGB of white paper.
    """
    values = np.linspace(0, icc.top, 256)[:, None].repeat(3, 1)
    curves = icc.to_linear(values).astype(np.float64).T
    if white is not None:
        curves = curves / np.maximum(np.asarray(white, np.float64), 0.01)[:, None]
    return Correction(kind="linear", curves=curves, matrix=icc.matrix.T.copy())


def _through_curves(tile: npt.NDArray[Any], curves: Array) -> npt.NDArray[np.float32]:
    if tile.dtype == np.uint8:
        table = np.ascontiguousarray(curves.T[None], np.float32)
        return np.asarray(cv2.LUT(tile, table), np.float32)
    grid = np.linspace(0, 65535, 256)
    return np.stack(
        [np.interp(tile[..., c], grid, curves[c]).astype(np.float32) for c in range(3)], axis=-1
    )
