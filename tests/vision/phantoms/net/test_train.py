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


def test_a_mistake_of_a_teacher_is_not_taught() -> None:
    from phantoms.net.train import loss_of

    truth = torch.ones(1, 48, 48, dtype=torch.long)
    logits = torch.randn(1, 4, 48, 48, generator=torch.Generator().manual_seed(3))

    def taught(said: list[float]) -> float:
        teacher = torch.tensor(said).view(1, 4, 1, 1).expand(1, 4, 48, 48)
        return float(loss_of(logits, truth, teacher))

    sure = taught([0.0, 1.0, 0.0, 0.0])
    assert taught([0.9, 0.1, 0.0, 0.0]) == pytest.approx(sure)
    assert taught([0.4, 0.6, 0.0, 0.0]) != pytest.approx(sure)


@torch.no_grad()
def test_over_many_looks_a_teacher_says_the_same_of_a_picture_and_its_mirror_image() -> None:
    from phantoms.net.train import looked_at_some_way
    from phantoms.net.unet import FORMS

    torch.manual_seed(2)
    net = FORMS["glance"]().eval()
    seen = torch.randn(1, 3, 32, 48)
    ways: tuple[list[int], ...] = ([], [2], [3], [2, 3])
    each = torch.cat([net(seen.flip(way)).softmax(1).flip(way) for way in ways])
    said = looked_at_some_way(net, seen.expand(64, -1, -1, -1))
    nearest = (said[:, None] - each[None]).abs().amax((2, 3, 4))
    assert nearest.amin(1).amax() < 1e-4
    assert set(nearest.argmin(1).tolist()) == {0, 1, 2, 3}
