"""The arithmetic of the forward pass."""

import numpy as np

from polypward_vision.tissue.perceptron import Perceptron


def test_the_forward_pass_is_a_softmax_of_rectified_units() -> None:
    # One hidden unit that passes its input when positive; logits (0, h, 2h, 3h).
    one = Perceptron(
        (np.array([[1.0]], np.float32), np.array([[0], [1], [2], [3]], np.float32)),
        (np.zeros(1, np.float32), np.zeros(4, np.float32)),
    )
    got = one(np.array([[-5.0, 0.0, np.log(2.0)]], np.float32))
    assert np.allclose(got[:2], 0.25)
    assert np.allclose(got[2], np.array([1, 2, 4, 8]) / 15)
