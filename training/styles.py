"""Styles: photos of a batch lend each other the look of their early features.

Mean and spread of each early channel hold what a photo is made like (light, colour, the camera, the
renderer) rather than what it shows. Mixed between photos of a batch, they make looks that no sample
has, and a network that leans on them less (MixStyle: Zhou et al. 2021, arXiv 2104.02008). Costs
nothing when reading: only training mixes.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import torch
from torch import Tensor, nn
from torch.utils.hooks import RemovableHandle

MIXED_AFTER: Final = (0, 2)
"""Blocks of the encoder whose output is mixed: those at 1/2 and 1/4, the earliest maps. The paper
mixes after the first stages as well, and loses where later ones are mixed."""

CONCENTRATION: Final = 0.1
"""Of the Beta distribution that shares are drawn from, as in the paper: mostly one look or the
other, seldom half of each."""


def mix_styles(blocks: nn.ModuleList, share: float) -> list[RemovableHandle]:
    """Mix what early blocks give, in so large a share of the photos, until the handles are removed.

    Nothing is mixed while a block isn't training. Draws begin at PyTorch's own, which the state of
    a checkpoint keeps: a run that goes on mixes as if it had not been stopped.
    """

    def mixed(block: nn.Module, _inputs: tuple[Tensor, ...], features: Tensor) -> Tensor | None:
        if not block.training:
            return None
        return lend(features, share, np.random.default_rng(int(torch.randint(2**62, ()))))

    return [blocks[index].register_forward_hook(mixed) for index in MIXED_AFTER]


def lend(features: Tensor, share: float, rng: np.random.Generator) -> Tensor:
    """Give some photos of a batch (N, C, H, W) a mean and a spread nearer to another's.

    What they show stays: each channel is only scaled and moved as a whole, and photos that aren't
    chosen stay as they are to the last bit.
    """
    count = len(features)
    other = torch.from_numpy(rng.permutation(count)).to(features.device)
    kept = rng.beta(CONCENTRATION, CONCENTRATION, count)
    kept[rng.random(count) >= share] = 1.0
    weight = torch.from_numpy(kept).float().to(features.device)[:, None, None, None]
    # The photos that lend are as given: no gradient flows to them.
    spread, mean = torch.std_mean(features.detach().float(), dim=(2, 3), keepdim=True)
    spread = spread + 1e-6
    scale = (weight * spread + (1 - weight) * spread[other]) / spread
    shift = weight * mean + (1 - weight) * mean[other] - mean * scale
    same = weight == 1
    scale = torch.where(same, 1.0, scale).to(features.dtype)
    return features * scale + torch.where(same, 0.0, shift).to(features.dtype)
