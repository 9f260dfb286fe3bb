"""A network on places that begins with what a wide one has learned."""

import torch
from torch import nn

from phantoms.net.unet import PlacesNet, WideNet

__all__ = ["take_over"]


@torch.no_grad()
def take_over(net: PlacesNet, wide: WideNet) -> None:
    """Give `net` every kernel of `wide` that has a place in it; the ends keep their chance values.

    The first convolution, of 6 x 6 pixels in steps of two, is one of 3 x 3 places. Where `net` has
    fewer channels at the flattest level, those stay that the layer after leans on most. Transposed
    convolutions become the mean of their four pixels; joins that add take the mean of both halves.
    """
    first = _leant_on(wide.down[0][3], net.widths[0])
    second = _leant_on(wide.down[1][0], net.widths[0])
    stem = wide.down[0][0].weight  # (24, 3, 6, 6)
    places = stem.unflatten(3, (3, 2)).unflatten(2, (3, 2)).permute(0, 1, 3, 5, 2, 4)
    _set(net.down[0][0], net.down[0][1], wide.down[0][1], places.flatten(1, 3)[first], first)
    inner = wide.down[0][3].weight[second][:, first]
    _set(net.down[0][3], net.down[0][4], wide.down[0][4], inner, second)
    for level in range(1, len(net.down)):
        ours, theirs = net.down[level], wide.down[level]
        entry = theirs[0].weight if level > 1 else theirs[0].weight[:, second]
        _set(ours[0], ours[1], theirs[1], entry)
        _set(ours[3], ours[4], theirs[4], theirs[3].weight)
    for level, how in enumerate(net.joined):
        keep = second if level == 0 else torch.arange(net.widths[level])
        up, join = wide.up[level], wide.join[level]
        net.up[level].weight.copy_(up.weight.mean((2, 3)).T[keep][..., None, None])
        net.up[level].bias.copy_(up.bias[keep])
        risen, seen = join[0].weight[keep].chunk(2, 1)
        both = torch.cat([risen[:, keep], seen[:, keep]], 1)
        if how == "sum":
            both = (risen[:, keep] + seen[:, keep]) / 2
        _set(net.join[level][0], net.join[level][1], join[1], both, keep)
        if how == "twice":
            _set(net.join[level][3], net.join[level][4], join[4], join[3].weight)


def _leant_on(after: nn.Conv2d, count: int) -> torch.Tensor:
    """Those of a convolution's inputs that it leans on most, in their order."""
    return after.weight.abs().sum((0, 2, 3)).topk(count).indices.sort().values


def _set(
    conv: nn.Conv2d,
    norm: nn.BatchNorm2d,
    source: nn.BatchNorm2d,
    weight: torch.Tensor,
    keep: torch.Tensor | slice = slice(None),
) -> None:
    """Give a convolution a kernel, and its normalisation what another one knows of `keep`."""
    conv.weight.copy_(weight)
    for name, value in source.state_dict().items():
        mine = norm.state_dict()[name]
        mine.copy_(value[keep] if value.dim() else value)
