"""The network: its shapes, what it refuses, and that it survives a worker's pickle."""

import pickle

import numpy as np
import pytest

from polypward.errors import BadInputError
from polypward_vision.tissue import load_base_model
from polypward_vision.tissue.network import Network


@pytest.fixture(scope="module", params=["network", "glance"])
def network(request: pytest.FixtureRequest) -> Network:
    network: Network = getattr(load_base_model(), request.param)
    return network


@pytest.mark.parametrize("shape", [(40, 57), (64, 48), (5, 7)])
def test_any_size_gives_probabilities(network: Network, shape: tuple[int, int]) -> None:
    lab = np.random.default_rng(2).uniform(0, 80, (*shape, 3)).astype(np.float32)
    before = lab.copy()
    chances = network(lab)
    assert chances.shape == (*shape, 4)
    assert np.allclose(chances.sum(axis=2), 1, atol=1e-5)
    assert np.array_equal(lab, before)


def test_a_larger_look_answers_at_the_pictures_own_size(network: Network) -> None:
    lab = np.random.default_rng(6).uniform(0, 80, (40, 57, 3)).astype(np.float32)
    chances = network(lab, scale=1.25)
    assert chances.shape == (40, 57, 4)
    assert np.allclose(chances.sum(axis=2), 1, atol=1e-5)
    assert not np.allclose(chances, network(lab), atol=1e-3)


def test_sizes_may_change_between_calls(network: Network) -> None:
    lab = np.random.default_rng(3).uniform(0, 80, (32, 48, 3)).astype(np.float32)
    first = network(lab)
    network(np.zeros((64, 32, 3), np.float32))
    assert np.allclose(network(lab), first, atol=1e-6)


@pytest.mark.parametrize("shape", [(8, 8), (32, 96), (96, 20)])
def test_the_first_answer_is_as_all_later_ones(network: Network, shape: tuple[int, int]) -> None:
    lab = np.random.default_rng(9).uniform(0, 80, (*shape, 3)).astype(np.float32)
    fresh = Network(network.onnx)
    first = fresh(lab)
    fresh(np.zeros((96, 64, 3), np.float32))
    assert np.array_equal(fresh(lab), first)


def test_it_goes_to_another_process_as_bytes(network: Network) -> None:
    lab = np.random.default_rng(4).uniform(0, 80, (32, 32, 3)).astype(np.float32)
    again = pickle.loads(pickle.dumps(network))
    assert again.onnx == network.onnx
    assert np.allclose(again(lab), network(lab), atol=1e-6)


@pytest.mark.parametrize("onnx", [b"", b"no network", bytes(200)])
def test_what_is_no_network_is_refused(onnx: bytes) -> None:
    with pytest.raises(BadInputError, match="tissue model"):
        Network(onnx)(np.zeros((16, 16, 3), np.float32))
