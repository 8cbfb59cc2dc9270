"""Wider: start a network from a narrower one of the same kind, answering alike at first.

The narrower one's weights take the first channels of every layer. What new channels say reaches
none of the old ones yet, so the wider network's answers are the narrower one's until it learns
(after Chen et al. 2016, Net2Net, arXiv 1511.05641, with new channels at random instead of copied).
"""

from __future__ import annotations

from collections.abc import Mapping

import torch
from torch import Tensor, nn


def widened(narrow: Mapping[str, Tensor], network: nn.Module) -> dict[str, Tensor]:
    """Weights for `network`, from those of one with fewer channels.

    Parameters
    ----------
    narrow : mapping of str to Tensor
        State of a network with the same layers, none of them wider.
    network : Module
        Its own state gives new channels their start.

    Raises
    ------
    ValueError
        When a layer is missing or would have to shrink, or there is one that `network` lacks.
    """
    unknown = sorted(narrow.keys() - network.state_dict().keys())
    if unknown:
        raise ValueError(f"{unknown[0]} isn't in the wider network.")
    out: dict[str, Tensor] = {}
    for name, own in network.state_dict().items():
        if name.endswith("num_batches_tracked"):
            continue
        if name not in narrow:
            raise ValueError(f"{name} isn't in the narrower network.")
        old = narrow[name]
        fits = old.ndim == own.ndim and all(
            a <= b for a, b in zip(old.shape, own.shape, strict=True)
        )
        if not fits:
            raise ValueError(f"{name} has {tuple(old.shape)}, and {tuple(own.shape)} is no wider.")
        grown = own.clone().float()
        if own.ndim > 1:
            grown[: old.shape[0], old.shape[1] :] = 0.0  # old channels don't hear new ones
        grown[tuple(slice(0, n) for n in old.shape)] = old.float()
        out[name] = grown
    return out


def start_from(path: str, network: nn.Module) -> None:
    """Load a checkpoint into a network that is as wide, or wider.

    Raises
    ------
    ValueError
        As of `widened`.
    """
    weights = torch.load(path, map_location="cpu", weights_only=True)["weights"]
    network.load_state_dict(widened(weights, network), strict=False)
