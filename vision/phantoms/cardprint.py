"""A card as a printer put it on paper: every patch a reflectance, with an error of known size."""

import functools
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import segno

from phantoms.fields import Field
from phantoms.scene import Printed
from phantoms.spectra import lab_of, reflectance, xyz_matrix
from polypward.cards import code_box_mm, scaled, serial_code
from polypward.records import Card

__all__ = ["PrintedCard", "print_card", "printed_labs"]


@dataclass(slots=True, kw_only=True)
class PrintedCard:
    """The printed card on a grid of `px_mm`, origin at its top left corner.

    `index` (rows, cols) points into `materials` (K, 31); `alpha` is 0 in a cut-out window.
    `labs` are the true colours of the patches, (P, 3) Lab D50, in the card's order.
    """

    index: npt.NDArray[np.uint8]
    materials: npt.NDArray[np.float64]
    alpha: npt.NDArray[np.uint8]
    px_mm: float
    labs: npt.NDArray[np.float64]

    def seen(self, response: npt.NDArray[np.float64], *, px_mm: float) -> tuple[Field, Field]:
        """Linear colour (rows, cols, 3) and alpha (rows, cols), averaged down to `px_mm`."""
        colours = (self.materials @ response).astype(np.float32)
        fine = colours[self.index]
        size = (
            round(self.index.shape[1] * self.px_mm / px_mm),
            round(self.index.shape[0] * self.px_mm / px_mm),
        )
        rgb = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
        alpha = cv2.resize(self.alpha.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        return np.asarray(rgb, np.float32), np.asarray(alpha, np.float32)


def printed_labs(printed: Printed) -> npt.NDArray[np.float64]:
    """Give the true colours (P, 3) of the printed patches, Lab D50.

    Half of the error is the printer's habit, smooth in colour (a cast and a wrong slope), half is
    each patch's own; together their RMS distance (CIE 1976) from nominal is `printed.error_de`.
    """
    rng = np.random.default_rng([printed.seed, 7])
    nominal = np.array([patch.lab_d50 for patch in printed.card.patches], float)
    if printed.error_de == 0 or not len(nominal):
        return nominal
    centred = (nominal - nominal.mean(axis=0)) / 40
    habit = rng.normal(0, 1, 3) + centred @ rng.normal(0, 0.6, (3, 3))
    own = rng.normal(0, 1, nominal.shape)
    error = habit / _rms(habit) + own / _rms(own)
    labs = nominal + error * (printed.error_de / _rms(error))
    labs[:, 0] = np.clip(labs[:, 0], 12, 97)
    return labs


def _rms(error: npt.NDArray[np.float64]) -> float:
    return float(np.sqrt((error**2).sum(axis=1).mean()))


@functools.lru_cache(maxsize=4)
def print_card(printed: Printed, *, px_mm: float = 0.05) -> PrintedCard:
    """Print a card, print scale applied: paper, markers, patches, and the serial's QR code."""
    card = scaled(printed.card)
    rows, cols = (round(side / px_mm) for side in (card.size_mm[1], card.size_mm[0]))
    index = np.zeros((rows, cols), np.uint8)
    colours = [reflectance(printed.paper), reflectance(printed.black)]
    for marker in card.markers:
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, marker.dictionary))
        bits = cv2.aruco.generateImageMarker(dictionary, marker.id, 8)
        _place(index, (bits < 128).astype(np.uint8), np.array(marker.corners_mm) / px_mm)
    if card.serial:
        _code(index, printed.card, px_mm)
    labs = printed_labs(printed)
    fine: list[npt.NDArray[np.float64]] = []
    for patch, lab in zip(card.patches, labs, strict=True):
        spectrum = reflectance((float(lab[0]), float(lab[1]), float(lab[2])))
        fine.append(lab_of(spectrum @ xyz_matrix()))
        colours.append(spectrum)
        x0, y0 = (patch.centre_mm[i] - patch.size_mm[i] / 2 for i in (0, 1))
        x1, y1 = x0 + patch.size_mm[0], y0 + patch.size_mm[1]
        box = [round(value / px_mm) for value in (y0, y1, x0, x1)]
        index[box[0] : box[1], box[2] : box[3]] = len(colours) - 1
    alpha = np.ones((rows, cols), np.uint8)
    if card.window_mm is not None and printed.window_cut:
        x, y, w, h = (round(value / px_mm) for value in card.window_mm)
        alpha[y : y + h, x : x + w] = 0
    return PrintedCard(
        index=index,
        materials=np.stack(colours),
        alpha=alpha,
        px_mm=px_mm,
        labs=np.array(fine).reshape(-1, 3),
    )


def _code(index: npt.NDArray[np.uint8], card: Card, px_mm: float) -> None:
    """Draw the QR code of the serial into its box."""
    x, y, side = code_box_mm(card.layout)
    by_x, by_y = card.print_scale or (1.0, 1.0)
    corners = [(x * by_x, y * by_y), ((x + side) * by_x, y * by_y)]
    corners += [((x + side) * by_x, (y + side) * by_y), (x * by_x, (y + side) * by_y)]
    code = segno.make(serial_code(card), error="m", micro=False)
    _place(index, np.array(code.matrix, np.uint8), np.array(corners) / px_mm)


def _place(
    index: npt.NDArray[np.uint8], bits: npt.NDArray[np.uint8], corners: npt.NDArray[np.float64]
) -> None:
    """Lay square modules between four corners (clockwise from top left), pixels of the card."""
    size = bits.shape[0]
    square = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32)
    move = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    x0, y0 = np.floor(corners.min(axis=0)).astype(int)
    x1, y1 = np.ceil(corners.max(axis=0)).astype(int)
    col, row = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
    points = np.stack([col.ravel(), row.ravel(), np.ones(col.size)])
    u, v, w = np.linalg.inv(move) @ points
    u, v = u / w, v / w
    inside = (u >= 0) & (u < size) & (v >= 0) & (v < size)
    cells = bits[np.clip(v.astype(int), 0, size - 1), np.clip(u.astype(int), 0, size - 1)]
    block = index[y0:y1, x0:x1]
    draw = inside.reshape(block.shape)
    block[draw] = cells.reshape(block.shape)[draw]
