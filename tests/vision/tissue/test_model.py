"""The model's file: what it holds, what it refuses; a glance at the whole, a close look or two."""

import io
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import pytest

from polypward.errors import BadInputError
from polypward.labels import BACKGROUND, BARE, LIVE
from polypward_vision.tissue import TissueModel, load_base_model, model_from_arrays
from polypward_vision.tissue.model import CLOSE_MM, GLANCE_COUNTS, GLANCE_MM, MARGIN_MM, RIM_MM
from polypward_vision.tissue.network import MULTIPLE, Network

Arrays = dict[str, npt.NDArray[Any]]


@pytest.fixture(scope="module")
def model() -> TissueModel:
    return load_base_model()


@pytest.fixture
def arrays(model: TissueModel) -> Arrays:
    return model.to_arrays()


def test_a_model_survives_its_own_file(model: TissueModel, arrays: Arrays) -> None:
    file = io.BytesIO()
    np.savez(file, allow_pickle=False, **arrays)
    file.seek(0)
    again = model_from_arrays(np.load(file, allow_pickle=False))  # noqa: TID251
    lab = np.random.default_rng(3).uniform(0, 90, (40, 50, 3)).astype(np.float32)
    assert np.array_equal(
        again.probabilities(lab, mm_per_px=0.2), model.probabilities(lab, mm_per_px=0.2)
    )


def test_a_pickle_in_the_file_is_refused(arrays: Arrays) -> None:
    arrays["network"] = np.array([{"code": "anything"}], dtype=object)
    file = io.BytesIO()
    np.savez(file, **arrays)
    file.seek(0)
    with (
        np.load(file, allow_pickle=False) as loaded,  # noqa: TID251
        pytest.raises(BadInputError, match="network is not a plain array"),
    ):
        model_from_arrays(loaded)


@pytest.mark.parametrize("name", ["network", "glance"])
def test_a_missing_network_is_named(arrays: Arrays, name: str) -> None:
    del arrays[name]
    with pytest.raises(BadInputError, match=f"the array {name} is missing"):
        model_from_arrays(arrays)


@pytest.mark.parametrize("array", [np.zeros(4), np.zeros((2, 2), np.uint8), "text"])
def test_what_is_not_bytes_is_refused(array: Any) -> None:
    with pytest.raises(BadInputError, match="network must be a one-dimensional array of bytes"):
        model_from_arrays({"network": array})


def test_probabilities_sum_to_one_and_do_not_depend_on_what_is_hidden(model: TissueModel) -> None:
    rng = np.random.default_rng(5)
    lab = rng.uniform(20, 80, (61, 77, 3)).astype(np.float32)
    valid = np.ones(lab.shape[:2], bool)
    valid[:20] = False
    chances = model.probabilities(lab, mm_per_px=0.2, valid=valid)
    assert chances.shape == (61, 77, 4)
    assert np.allclose(chances.sum(axis=2), 1, atol=1e-5)
    lab[~valid] = np.nan
    assert np.array_equal(model.probabilities(lab, mm_per_px=0.2, valid=valid), chances)


class Watched(Network):
    """A network that says what it was shown: tissue where it is bright, and where all was."""

    def __call__(self, lab: npt.NDArray[np.float32], *, scale: float = 1.0) -> Any:
        looks.append((lab.shape[:2], scale))
        chances = np.zeros((*lab.shape[:2], 4), np.float32)
        chances[..., LIVE] = lab[..., 0] > 50
        chances[..., BACKGROUND] = 1 - chances[..., LIVE]
        return chances


looks: list[tuple[tuple[int, ...], float]] = []


@pytest.mark.parametrize("mm_per_px", [0.2, 0.4])
def test_only_what_might_be_tissue_is_looked_at_closely(mm_per_px: float) -> None:
    looks.clear()
    lab = np.zeros((400, 500, 3), np.float32)
    lab[200:240, 300:350] = 80
    model = TissueModel(network=Watched(b""), glance=Watched(b""))
    found = model.probabilities(lab, mm_per_px=mm_per_px)
    assert np.array_equal(found[..., LIVE] > 0.5, lab[..., 0] > 50)
    (whole, glance), (near, close) = looks
    assert whole == (400, 500)
    assert glance == pytest.approx(mm_per_px / GLANCE_MM)
    assert close == pytest.approx(mm_per_px / CLOSE_MM)
    # 40 x 50 px, the margin around, and what the blur of 5 px adds, in steps that need no padding.
    step = MULTIPLE * CLOSE_MM / mm_per_px
    for side, own in zip(near, (40, 50), strict=True):
        assert side == pytest.approx(own + 2 + 2 * MARGIN_MM / mm_per_px, abs=step / 2 + 2)
        assert 0 <= MULTIPLE * round(side / step) - round(side * close) <= close


def test_a_close_look_stays_within_the_cut_out() -> None:
    looks.clear()
    lab = np.zeros((100, 400, 3), np.float32)
    lab[5:95, 390:] = 80
    model = TissueModel(network=Watched(b""), glance=Watched(b""))
    found = model.probabilities(lab, mm_per_px=0.2)
    assert np.array_equal(found[..., LIVE] > 0.5, lab[..., 0] > 50)
    (rows, cols), _ = looks[1]
    assert rows <= 100
    assert cols < 100


def test_where_a_glance_finds_nothing_all_is_looked_at() -> None:
    looks.clear()
    model = TissueModel(network=Watched(b""), glance=Watched(b""))
    model.probabilities(np.zeros((90, 70, 3), np.float32), mm_per_px=0.2)
    assert [size for size, _ in looks] == [(90, 70), (90, 70)]


class ShortSighted(Watched):
    """Sees nothing below row 150."""

    def __call__(self, lab: npt.NDArray[np.float32], *, scale: float = 1.0) -> Any:
        seen = lab.copy()
        seen[150:] = 0
        return super().__call__(seen, scale=scale)


@pytest.mark.parametrize(("width_mm", "expected"), [(RIM_MM - 1, 1), (RIM_MM + 1, 2)])
def test_what_a_glance_cuts_off_is_looked_at_to_the_end(width_mm: float, expected: int) -> None:
    looks.clear()
    lab = np.zeros((400, 300, 3), np.float32)
    lab[100:300, 100 : 100 + round(width_mm / 0.2)] = 80
    model = TissueModel(network=Watched(b""), glance=ShortSighted(b""))
    found = model.probabilities(lab, mm_per_px=0.2)
    assert len(looks) == 1 + expected
    if expected == 2:
        assert np.array_equal(found[..., LIVE] > 0.5, lab[..., 0] > 50)
        first, last = looks[1][0], looks[2][0]
        assert last[0] > first[0] + 150
        assert last[1] == first[1]


class Wavering(Network):
    """Says that all is tissue, sure of it but for the first rows that it sees."""

    rows: ClassVar[int]

    def __call__(self, lab: npt.NDArray[np.float32], *, scale: float = 1.0) -> Any:
        looks.append((lab.shape[:2], scale))
        chances = np.zeros((*lab.shape[:2], 4), np.float32)
        chances[..., LIVE] = 0.9
        chances[: self.rows, :, LIVE] = 0.5
        chances[..., BARE] = 1 - chances[..., LIVE]
        return chances


@pytest.mark.parametrize(("rows", "expected"), [(1, 1), (10, 2)])
def test_what_leaves_doubt_is_looked_at_again_upside_down(
    monkeypatch: pytest.MonkeyPatch, rows: int, expected: int
) -> None:
    monkeypatch.setattr(Wavering, "rows", rows, raising=False)
    looks.clear()
    model = TissueModel(network=Wavering(b""), glance=Watched(b""))
    found = model.probabilities(np.full((100, 60, 3), 80, np.float32), mm_per_px=0.2)
    assert len(looks) == 1 + expected
    # The glance is sure that all is live and has its share.
    live = found[..., LIVE].mean(axis=1) * (1 + GLANCE_COUNTS) - GLANCE_COUNTS
    if expected == 1:
        assert live[0] == pytest.approx(0.5)
        assert live[1:] == pytest.approx(0.9)
    else:
        assert live[:10] == pytest.approx(0.7)
        assert live[10:-10] == pytest.approx(0.9)
        assert live[-10:] == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("shape", "valid_shape", "mm_per_px", "message"),
    [
        ((5, 6), None, 0.2, "lab must have the shape"),
        ((5, 6, 3), (6, 5), 0.2, "valid must have the shape"),
        ((5, 6, 3), None, 0.0, "mm_per_px must be positive"),
        ((5, 6, 3), None, float("nan"), "mm_per_px must be positive"),
    ],
)
def test_wrong_input_is_refused(
    model: TissueModel,
    shape: tuple[int, ...],
    valid_shape: tuple[int, int] | None,
    mm_per_px: float,
    message: str,
) -> None:
    valid = None if valid_shape is None else np.ones(valid_shape, bool)
    with pytest.raises(ValueError, match=message):
        model.probabilities(np.zeros(shape, np.float32), mm_per_px=mm_per_px, valid=valid)


def test_a_cut_out_that_shows_nothing_is_refused(model: TissueModel) -> None:
    with pytest.raises(ValueError, match="no valid pixel"):
        model.probabilities(
            np.zeros((5, 6, 3), np.float32), mm_per_px=0.2, valid=np.zeros((5, 6), bool)
        )


def test_the_base_model_says_how_it_was_made(model: TissueModel) -> None:
    made = model.provenance
    assert model.version
    for key in ("script", "network", "glance", "date", "libraries", "held_out"):
        assert made[key], key
