"""What a training shows a network; only where PyTorch is installed."""

import pytest

torch = pytest.importorskip("torch", reason="PyTorch is an optional developer dependency")
pytest.importorskip("onnx", reason="onnx is an optional developer dependency")


def test_larger_pixels_have_the_mean_colour_and_the_label_in_their_middle() -> None:
    from phantoms.net.train import coarsened

    seen = torch.arange(2 * 3 * 6 * 9, dtype=torch.float32).reshape(2, 3, 6, 9)
    labels = torch.arange(2 * 6 * 9).reshape(2, 6, 9)
    colours, middles = coarsened(seen, labels, 3)
    assert colours.shape == (2, 3, 2, 3)
    assert colours[1, 2, 1, 2] == seen[1, 2, 3:6, 6:9].mean()
    assert middles.shape == (2, 2, 3)
    assert middles[1, 1, 2] == labels[1, 4, 7]
    assert coarsened(seen, labels, 1)[0] is seen


def test_the_glance_answers_at_its_own_pixels() -> None:
    from phantoms.net.unet import FORMS, SIDE

    glance = FORMS["glance"]()
    side = SIDE // glance.coarse
    assert glance(torch.zeros(2, 3, side, side)).shape == (2, 4, side, side)
    shipped, shape = glance.shipped()
    assert shipped(torch.zeros(shape)).shape == (1, 16, side // 2, side // 2)


def test_only_what_a_picture_shows_enough_of_counts_as_overlap() -> None:
    from phantoms.net.train import LEAST_PX, loss_of
    from phantoms.net.unet import SIDE

    side = SIDE // 3
    least = -(-LEAST_PX * side**2 // SIDE**2)
    labels = torch.zeros(1, side, side, dtype=torch.long)
    logits = torch.zeros(1, 4, side, side)
    logits[:, 0] = 20
    losses = []
    for count in (least - 1, least):
        labels.flatten()[:count] = 2
        losses.append(float(loss_of(logits, labels)))
    assert losses[1] - losses[0] > 0.3  # a missed label of enough pixels: half of all overlap


@torch.no_grad()
def test_a_teacher_says_the_same_of_a_picture_and_its_mirror_image() -> None:
    from phantoms.net.train import looked_at_four_ways
    from phantoms.net.unet import FORMS

    torch.manual_seed(2)
    net = FORMS["glance"]().eval()
    seen = torch.randn(2, 3, 64, 96)
    said = looked_at_four_ways(net, seen)
    torch.testing.assert_close(said.sum(1), torch.ones(2, 64, 96))
    for way in ([2], [3], [2, 3]):
        torch.testing.assert_close(looked_at_four_ways(net, seen.flip(way)).flip(way), said)
    assert not torch.allclose(net(seen.flip([3])).flip([3]).softmax(1), net(seen).softmax(1))
