"""What a training does to its pictures; only where PyTorch is installed."""

import pytest

torch = pytest.importorskip("torch", reason="PyTorch is an optional developer dependency")


def test_grooves_darken_live_tissue_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    from phantoms.net import disturb
    from phantoms.net.unet import SIDE

    monkeypatch.setattr(disturb, "GROOVED", 1.0)
    torch.manual_seed(5)
    labels = torch.zeros(6, SIDE, SIDE, dtype=torch.uint8)
    labels[:, 100:300, 120:360] = 1
    labels[:, 300:340, 120:360] = 2
    lab = torch.full((6, 3, SIDE, SIDE), 0.3)
    grooved = disturb.grooved(lab, labels)
    changed = (grooved != lab).any(dim=1)
    beside = torch.nn.functional.max_pool2d((labels == 1).float()[:, None], 3, 1, 1)[:, 0] > 0
    assert not changed[~beside].any()
    shares = changed.float().sum((1, 2)) / (labels == 1).sum((1, 2))
    assert (shares > 0).all()
    assert shares.median() < 0.5  # lines, not patches
    assert (grooved[:, 0] <= lab[:, 0] + 1e-6).all()
