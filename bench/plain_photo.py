"""A photo read by general-purpose parts alone, to compare with; none of it is part of polypward.

OpenCV decodes the whole photo, scikit-image parts its full-resolution pixels into superpixels, a
random forest of scikit-learn tells what each shows by colour and texture. No card is looked for, no
pose is known, no colour is corrected.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np
import numpy.typing as npt

from phantoms.cameras import Camera
from phantoms.projection import Projection
from phantoms.render import Truth, encode_jpeg, render
from phantoms.scene import Scene
from phantoms.settings import TRAIN, random_camera, random_scene
from phantoms.truth import aim_mm, centre_mm
from phantoms.vary import varied
from polypward.labels import BACKGROUND

__all__ = ["Plain", "look", "picture_labels", "training_regions"]

Labels = npt.NDArray[np.uint8]
Features = npt.NDArray[np.float32]

SUPERPIXEL_PX = 20  # about 2.4 mm on a photo of 12 megapixels
COMPACTNESS = 10.0  # scikit-image's default
SURROUNDINGS_PX = (31, 127, 511)
GROUND_REGIONS = 1500  # of each training photo
TREES = 200


def look(rgb: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.int64], Features]:
    """Part a photo into superpixels (SLIC, Achanta et al. 2012) and describe each.

    Parameters
    ----------
    rgb : uint8 array (rows, cols, 3)

    Returns
    -------
    regions : int64 array (rows, cols), numbered from 0
    features : float32 array (regions, features): mean and SD of CIELAB, means of the surroundings,
        slope, local binary patterns (Ojala et al. 2002), distance from the picture's middle.
    """
    from skimage.feature import local_binary_pattern
    from skimage.segmentation import slic

    rows, cols = rgb.shape[:2]
    count = max(4, round(rows * cols / SUPERPIXEL_PX**2))
    regions = slic(rgb, n_segments=count, compactness=COMPACTNESS, start_label=0)
    flat = regions.ravel()
    size = np.maximum(np.bincount(flat), 1)

    def mean(plane: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
        return np.asarray(np.bincount(flat, weights=plane.ravel()) / size)

    lab = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    columns = [mean(lab[..., k]) for k in range(3)]
    columns += [np.sqrt(np.maximum(mean(lab[..., k] ** 2) - columns[k] ** 2, 0)) for k in range(3)]
    for side in SURROUNDINGS_PX:
        columns += [mean(cv2.blur(lab[..., k], (side, side))) for k in range(3)]
    light = np.ascontiguousarray(lab[..., 0])
    slope = cv2.magnitude(cv2.Sobel(light, cv2.CV_32F, 1, 0), cv2.Sobel(light, cv2.CV_32F, 0, 1))
    columns.append(mean(slope))
    patterns = local_binary_pattern(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), 8, 2, "uniform")
    columns += [mean(patterns == pattern) for pattern in range(10)]
    row, col = np.indices((rows, cols), dtype=np.float32)
    middle = np.hypot(row - rows / 2, col - cols / 2) / np.hypot(rows, cols)
    columns.append(mean(middle))
    return np.asarray(regions, np.int64), np.stack(columns, axis=1).astype(np.float32)


def _decoded(jpeg: bytes) -> npt.NDArray[np.uint8]:
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    """The plain pipeline with its fitted forest."""

    forest: Any

    @classmethod
    def fit(cls, features: Features, labels: Labels, *, seed: int = 7) -> Self:
        """Fit the forest to superpixels (N, features) and their labels (N,)."""
        from sklearn.ensemble import RandomForestClassifier

        forest = RandomForestClassifier(
            TREES, min_samples_leaf=3, class_weight="balanced_subsample", random_state=seed
        )
        return cls(forest=forest.fit(features, labels))

    def labels(self, jpeg: bytes) -> Labels:
        """Label the pixels of a photo, uint8 (rows, cols); the largest body alone is kept."""
        from skimage.measure import label

        regions, features = look(_decoded(jpeg))
        found = self.forest.classes_[self.forest.predict_proba(features).argmax(axis=1)]
        picture = found.astype(np.uint8)[regions]
        bodies = label(picture != BACKGROUND)
        largest = np.bincount(bodies.ravel())[1:]
        if largest.size:
            picture[bodies != 1 + int(largest.argmax())] = BACKGROUND
        return np.asarray(picture)


def picture_labels(truth: Truth, scene: Scene, camera: Camera) -> tuple[Labels, float, float]:
    """Return the true label of each pixel of a photo, and its scales where the specimen is.

    Returns
    -------
    labels : uint8 array (rows, cols)
    card, own : float
        Square roots of the mm² that a pixel there shows of the card's plane, and of the specimen's.
    """
    projection = Projection(camera, aim_mm(scene), water_mm=scene.water_mm)
    to_pixels = projection.homography(truth.height_mm) @ truth.map_to_mm
    labels = cv2.warpPerspective(
        truth.label_map, to_pixels, (camera.cols, camera.rows), flags=cv2.INTER_NEAREST
    )
    x, y = centre_mm(scene, scene.specimens[0])
    square = np.array([[x, y], [x + 1, y], [x, y + 1]])
    scales = []
    for height in (0.0, truth.height_mm):
        corner, right, down = projection.pixels(square, height).astype(float)
        scales.append(float(abs(np.linalg.det([right - corner, down - corner])) ** -0.5))
    return np.asarray(labels, np.uint8), scales[0], scales[1]


def training_regions(index: int, *, folder: Path | None, megapixels: float) -> Any:
    """Features and labels of superpixels of one training photo; kept in `folder`.

    Four of five specimens wear colours and textures from anywhere, as those that the tissue model
    is fitted to. Superpixels of which no label has 70 % are left out.
    """
    path = folder and folder / f"plain-{megapixels:g}-{index}.npz"
    if path and path.exists():
        with np.load(path, allow_pickle=False) as kept:  # noqa: TID251
            return kept["features"], kept["labels"]
    rng = np.random.default_rng([index, 43])
    scene = random_scene(rng, TRAIN)
    scene = varied(rng, scene) if index % 5 else scene
    tilt = float(rng.uniform(0, 25))
    camera = random_camera(rng, TRAIN, megapixels=megapixels, tilt_deg=tilt)
    rendering = render(scene, camera, seed=index)
    assert rendering.truth is not None
    true, _, _ = picture_labels(rendering.truth, scene, camera)
    regions, features = look(_decoded(encode_jpeg(rendering)))
    flat, count = regions.ravel(), len(features)
    shares = np.stack([np.bincount(flat, true.ravel() == k, count) for k in range(4)], axis=1)
    shares = shares / np.maximum(shares.sum(axis=1, keepdims=True), 1)
    labels = shares.argmax(axis=1).astype(np.uint8)
    keep = shares.max(axis=1) >= 0.7
    ground = rng.permutation(np.flatnonzero(keep & (labels == BACKGROUND)))
    keep[ground[GROUND_REGIONS:]] = False
    if path:
        np.savez_compressed(path, features=features[keep], labels=labels[keep])
    return features[keep], labels[keep]
