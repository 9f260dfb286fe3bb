"""Where things stand in a scene, and the truth about a specimen in its own plane."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera
from phantoms.cardprint import print_card
from phantoms.dress import Dressed
from phantoms.scene import Scene, SpecimenModel
from polypward.cards import scaled
from polypward.labels import BACKGROUND, BARE, LIVE, OVERGROWN

__all__ = ["Matrix", "Truth", "affine_mm", "aim_mm", "centre_mm", "truth_of"]

Matrix = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What is really there: labels and areas of the first specimen, in its own plane.

    `map_to_mm` (3, 3) leads from indices (column, row) of `label_map` to card mm (x, y).
    `lab_live` is the mean CIELAB D50 of live pixels with relief shading, without glints, as an
    ideal card correction gives it; `lab_bare` the same for bare skeleton. None = no such pixels.
    """

    label_map: npt.NDArray[np.uint8]
    map_to_mm: Matrix
    px_mm: float
    height_mm: float
    live_mm2: float
    bare_mm2: float
    overgrown_mm2: float
    lab_live: tuple[float, float, float] | None
    lab_bare: tuple[float, float, float] | None
    camera_mm: float
    tilt_deg: float
    patch_labs: Matrix

    @property
    def live_cover(self) -> float:
        """Live share of the specimen, 0..1."""
        return self.live_mm2 / max(self.live_mm2 + self.bare_mm2 + self.overgrown_mm2, 1e-9)

    def labels(
        self, tile_x_mm: float, tile_y_mm: float, mm_per_px: float, shape: tuple[int, int]
    ) -> npt.NDArray[np.uint8]:
        """Cut the true labels to a tile: the label under each pixel's centre.

        Parameters
        ----------
        tile_x_mm, tile_y_mm : float
            Card coordinates of the tile's top left corner, in the specimen's plane.
        mm_per_px : float
            Side of a tile pixel.
        shape : (rows, cols)
            Size of the tile.
        """
        tile_to_mm = np.array(
            [
                [mm_per_px, 0, tile_x_mm + mm_per_px / 2],
                [0, mm_per_px, tile_y_mm + mm_per_px / 2],
                [0, 0, 1.0],
            ]
        )
        move = (np.linalg.inv(self.map_to_mm) @ tile_to_mm)[:2]
        return np.asarray(
            cv2.warpAffine(
                self.label_map,
                move,
                (shape[1], shape[0]),
                flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
                borderValue=BACKGROUND,
            ),
            np.uint8,
        )


def centre_mm(scene: Scene, model: SpecimenModel) -> tuple[float, float]:
    """Where a specimen stands: its own place, the window's middle, or where the arrow points."""
    if model.at_mm is not None:
        return model.at_mm
    if scene.printed is None:
        return scene.aim_mm
    card = scaled(scene.printed.card)
    if card.window_mm is not None:
        x, y, w, h = card.window_mm
        return (x + w / 2, y + h / 2)
    if card.arrow_mm is not None:
        (x, y), (right, down) = card.arrow_mm
        away = model.radius_mm * float(np.sqrt(model.expansion)) + 12
        return (x + right * away, y + down * away)
    return scene.aim_mm


def aim_mm(scene: Scene) -> tuple[float, float]:
    """Middle of what should be in the picture: the card and the specimens beside it."""
    if scene.printed is None:
        return scene.aim_mm
    card = scaled(scene.printed.card)
    boxes = [(0.0, 0.0, *card.size_mm)]
    if card.window_mm is None:
        for model in scene.specimens:
            (x, y), r = centre_mm(scene, model), model.radius_mm
            boxes.append((x - r, y - r, x + r, y + r))
    low = np.min([box[:2] for box in boxes], axis=0)
    high = np.max([box[2:] for box in boxes], axis=0)
    return (float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2)


def affine_mm(
    shape: tuple[int, ...], px_mm: float, at_mm: tuple[float, float], turn_deg: float = 0.0
) -> Matrix:
    """Affine (3, 3) from indices (column, row) of a map centred at `at_mm` to card mm."""
    turn = np.radians(turn_deg)
    cos, sin = np.cos(turn) * px_mm, np.sin(turn) * px_mm
    middle = np.array([shape[1] - 1, shape[0] - 1]) / 2
    rotation = np.array([[cos, -sin], [sin, cos]])
    shift = np.array(at_mm) - rotation @ middle
    return np.array([[cos, -sin, shift[0]], [sin, cos, shift[1]], [0, 0, 1.0]])


def truth_of(scene: Scene, camera: Camera, dressed: Dressed, model: SpecimenModel) -> Truth:
    """Truth of one dressed specimen."""
    labels = dressed.labels
    lab = dressed.lab()
    means = {
        label: (
            tuple(float(v) for v in lab[labels == label].mean(axis=0))
            if (labels == label).any()
            else None
        )
        for label in (LIVE, BARE)
    }
    area = {
        label: float(np.count_nonzero(labels == label)) * dressed.px_mm**2
        for label in (LIVE, BARE, OVERGROWN)
    }
    patch_labs = np.zeros((0, 3)) if scene.printed is None else print_card(scene.printed).labs
    return Truth(
        label_map=labels,
        map_to_mm=affine_mm(labels.shape, dressed.px_mm, centre_mm(scene, model), model.turn_deg),
        px_mm=dressed.px_mm,
        height_mm=model.height_mm,
        live_mm2=area[LIVE],
        bare_mm2=area[BARE],
        overgrown_mm2=area[OVERGROWN],
        lab_live=means[LIVE],  # type: ignore[arg-type]
        lab_bare=means[BARE],  # type: ignore[arg-type]
        camera_mm=camera.pose.distance_mm,
        tilt_deg=camera.pose.tilt_deg,
        patch_labs=patch_labs,
    )
