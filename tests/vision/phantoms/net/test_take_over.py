"""A network on places that begins as a wide one; only where PyTorch is installed."""

from typing import Any

import pytest

torch = pytest.importorskip("torch", reason="PyTorch is an optional developer dependency")


def _wide() -> Any:
    from phantoms.net.unet import WideNet

    torch.manual_seed(3)
    net = WideNet()
    for part in net.modules():  # as if it had been trained
        if isinstance(part, torch.nn.BatchNorm2d):
            torch.nn.init.normal_(part.running_mean, std=0.1)
            torch.nn.init.uniform_(part.running_var, 0.5, 2)
            torch.nn.init.uniform_(part.weight, 0.5, 2)
            torch.nn.init.normal_(part.bias, std=0.1)
    return net.eval()


@torch.no_grad()
def test_on_the_way_down_a_trim_network_sees_what_the_wide_one_sees() -> None:
    from phantoms.net.take_over import take_over
    from phantoms.net.unet import TrimNet

    wide, trim = _wide(), TrimNet()
    take_over(trim, wide)
    trim.eval()
    x = torch.randn(2, 3, 96, 64)
    theirs, ours = x, torch.nn.functional.pixel_unshuffle(x, 2)
    for level, (their, our) in enumerate(zip(wide.down, trim.down, strict=True)):
        if level:
            theirs = torch.nn.functional.max_pool2d(theirs, 2)
            ours = torch.nn.functional.max_pool2d(ours, 2)
        theirs, ours = their(theirs), our(ours)
        torch.testing.assert_close(ours, theirs, rtol=1e-3, atol=1e-4)


@torch.no_grad()
@pytest.mark.parametrize("form", ["trim", "lean"])
def test_all_but_the_ends_are_taken_over(form: str) -> None:
    from phantoms.net.take_over import take_over
    from phantoms.net.unet import FORMS

    net = FORMS[form]()
    before = {name: value.clone() for name, value in net.state_dict().items()}
    take_over(net, _wide())
    same = {name for name, value in net.state_dict().items() if value.equal(before[name])}
    assert {name.split(".")[0] for name in same if not name.endswith("tracked")} == {"edge", "out"}
    assert net.eval()(torch.randn(1, 3, 64, 96)).shape == (1, 4, 64, 96)
