"""Holes of masks drawn by hand."""

import numpy as np

from polypward_vision.tissue.holes import holes


def test_what_a_mask_encloses_is_a_hole_and_what_opens_to_the_rim_is_not() -> None:
    drawn = [
        "..........",
        ".####.####",
        ".#..#.#..#",
        ".#..#.#...",
        ".####.####",
        "..........",
    ]
    mask = np.array([[sign == "#" for sign in row] for row in drawn])
    numbered, enclosed, sizes = holes(mask)
    assert sizes.sum() == mask.size
    assert sizes[0] == mask.sum()
    assert (numbered[mask] == 0).all()
    assert sizes[enclosed].tolist() == [4]  # the left one; the right one is a bay
    assert enclosed[numbered[2:4, 2:4]].all()


def test_a_hole_is_not_left_by_a_corner() -> None:
    mask = np.ones((5, 5), bool)
    mask[2, 2] = mask[1, 1] = mask[0, 0] = False
    _, enclosed, sizes = holes(mask)
    assert sizes[enclosed].tolist() == [1, 1]


def test_a_full_and_an_empty_mask_have_none() -> None:
    assert not holes(np.ones((3, 4), bool))[1].any()
    assert not holes(np.zeros((3, 4), bool))[1].any()
