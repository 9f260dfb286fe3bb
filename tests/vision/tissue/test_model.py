"""The model's file: what it holds, what it refuses, and the arithmetic of the forward pass."""

import io
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from polypward.errors import BadInputError
from polypward_vision.tissue import TissueModel, load_base_model, model_from_arrays
from polypward_vision.tissue.model import Perceptron, coarse_view

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
    arrays["second_weight_0"] = np.array([{"code": "anything"}], dtype=object)
    file = io.BytesIO()
    np.savez(file, **arrays)
    file.seek(0)
    with (
        np.load(file, allow_pickle=False) as loaded,  # noqa: TID251
        pytest.raises(BadInputError, match="second_weight_0 is not a plain array"),
    ):
        model_from_arrays(loaded)


@pytest.mark.parametrize("name", ["first_network", "second_bias_1", "second_features"])
def test_a_missing_array_is_named(arrays: Arrays, name: str) -> None:
    del arrays[name]
    with pytest.raises(BadInputError, match=f"{name} is missing"):
        model_from_arrays(arrays)


def test_wrong_shapes_are_named(arrays: Arrays) -> None:
    arrays["second_weight_1"] = arrays["second_weight_1"][:, :-1]
    with pytest.raises(BadInputError, match=r"second_weight_1 of shape .* do not follow"):
        model_from_arrays(arrays)


def test_a_model_with_three_outputs_is_refused(arrays: Arrays) -> None:
    arrays["second_weight_1"] = arrays["second_weight_1"][:3]
    arrays["second_bias_1"] = arrays["second_bias_1"][:3]
    with pytest.raises(BadInputError, match="3 outputs instead of 4"):
        model_from_arrays(arrays)


def test_numbers_that_are_none_are_refused(arrays: Arrays) -> None:
    arrays["second_bias_0"] = np.full_like(arrays["second_bias_0"], np.nan)
    with pytest.raises(BadInputError, match="layer 0 of the second look is not finite"):
        model_from_arrays(arrays)


def test_whole_numbers_are_refused(arrays: Arrays) -> None:
    arrays["second_weight_0"] = arrays["second_weight_0"].astype(np.int64)
    with pytest.raises(BadInputError, match="second_weight_0 must be a 2-dimensional array"):
        model_from_arrays(arrays)


def test_a_model_for_other_features_is_refused(arrays: Arrays) -> None:
    arrays["second_features"] = arrays["second_features"][::-1]
    with pytest.raises(BadInputError, match="made for other features"):
        model_from_arrays(arrays)


def test_the_forward_pass_is_a_softmax_of_rectified_units() -> None:
    # One hidden unit that passes its input when positive; logits (0, h, 2h, 3h).
    one = Perceptron(
        (np.array([[1.0]], np.float32), np.array([[0], [1], [2], [3]], np.float32)),
        (np.zeros(1, np.float32), np.zeros(4, np.float32)),
    )
    got = one(np.array([[-5.0, 0.0, np.log(2.0)]], np.float32))
    assert np.allclose(got[:2], 0.25)
    assert np.allclose(got[2], np.array([1, 2, 4, 8]) / 15)


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


def test_the_coarse_view_keeps_means_and_scale() -> None:
    lab = np.random.default_rng(1).uniform(0, 100, (40, 60, 3)).astype(np.float32)
    _, coarse, shown, mm_per_px = coarse_view(lab, valid=None, mm_per_px=0.2)
    assert coarse.shape == (20, 30, 3)
    assert shown.all()
    assert mm_per_px == pytest.approx(0.4)
    assert np.allclose(coarse[3, 4], lab[6:8, 8:10].mean(axis=(0, 1)), atol=1e-3)


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
    for key in ("script", "settings", "seed", "features", "date", "libraries", "tiles", "held_out"):
        assert made[key], key
