"""Teachers: several networks that one network is trained to answer like.

Networks of one start that saw other plants err on other photos: asked together they are right more
often, and far more often where they are sure (`training/EXPERIMENTS.md`, 26 and 29). A phone has no
time to ask three, so one learns from all (G. Hinton, O. Vinyals and J. Dean 2015, "Distilling the
knowledge in a neural network", arXiv 1503.02531): beside the truth, from what they answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

from training import checkpoint
from training import network as net
from training.losses import HEAT_NAMES, WEIGHTS, class_weights, weighed_mean

ONE_OF = {"usability": net.USABILITY, "lost": net.LOST, "foot_lost": net.FOOT_LOST}
YES_NO = {
    "count": net.COLLARS,
    "laid": slice(net.LAID, net.LAID + 1),
    "first_leaf": slice(net.FIRST_LEAF, net.FIRST_LEAF + 1),
    "foot_first_leaf": slice(net.FOOT_FIRST_LEAF, net.FOOT_FIRST_LEAF + 1),
}
COLLAR_CELLS = {
    "collar_offset": net.COLLAR_OFFSET,
    "collar_rank": slice(net.COLLAR_RANK, net.COLLAR_RANK + 1),
}
TIP_CELLS = {
    "tip_offset": net.TIP_OFFSET,
    "link": net.LINK,
    "tip_rank": slice(net.TIP_RANK, net.TIP_RANK + 1),
}
TIP_SHAPES = {
    "rounded": slice(net.TIP_ROUNDED, net.TIP_ROUNDED + 1),
    "collared": slice(net.TIP_COLLARED, net.TIP_COLLARED + 1),
}


UNTAUGHT = ("overlap", "toward", "arches", "half_out", "whole")
"""Losses against the truth alone: overlap says what classes say, and of leaf tops
and torn tips a teacher may know nothing."""


class Teachers(nn.Module):
    """Networks that are asked by turns; none of them learns.

    Who is asked is all the same to the pupil, which can't tell: it learns their mean belief, at
    the price of one. The first looks have turns of their own: every fifth step is one, and of five
    teachers it would always be the same one's turn.
    """

    def __init__(self, networks: Sequence[nn.Module]):
        super().__init__()
        self.networks = nn.ModuleList(networks).eval().requires_grad_(False)
        self._turns = {False: 0, True: 0}

    @classmethod
    def of(cls, paths: Sequence[str | Path]) -> Teachers:
        """Load them from checkpoints.

        Raises
        ------
        RuntimeError
            When a checkpoint does not fit the network.
        """
        networks = []
        for path in paths:
            network = net.build(pretrained=False, coarse=checkpoint.coarse_of(path))
            checkpoint.load_weights(path, network)
            networks.append(network)
        return cls(networks)

    @torch.no_grad()
    def forward(self, image: Tensor, look: bool = False) -> tuple[Tensor, Tensor]:
        """Maps and answers of the one whose turn it is, at a first look or at a crop."""
        network = self.networks[self._turns[look] % len(self.networks)]
        self._turns[look] += 1
        maps, answers = network(image)
        return maps.float(), answers.float()


def taught_losses(
    maps: Tensor,
    answers: Tensor,
    taught_maps: Tensor,
    taught_answers: Tensor,
    weight: Tensor,
    maps_weight: Tensor,
) -> dict[str, Tensor]:
    """How far a network's answers are from its teachers', by the names of `losses.WEIGHTS`.

    Zero where they agree; none of `UNTAUGHT`. Also "total", weighed as the losses against the truth
    are. `weight` and `maps_weight` (N,) are those of each sample's answers and maps.
    """
    losses = _map_losses(maps, taught_maps, maps_weight) | _answer_losses(
        answers, taught_answers, weight
    )
    losses["total"] = torch.stack([WEIGHTS[name] * loss for name, loss in losses.items()]).sum()
    return losses


def _map_losses(maps: Tensor, taught: Tensor, weight: Tensor) -> dict[str, Tensor]:
    weight = weight[:, None, None, None]
    told = torch.sigmoid(taught[:, net.HEATS])
    heat = told * weight
    out: dict[str, Tensor] = {}
    own = torch.sigmoid(maps[:, net.HEATS]).detach() * weight
    # Where either sees something: all the rest is background to both.
    apart = _apart(maps[:, net.HEATS], told) * torch.maximum(own, heat)
    size = heat.square().sum((0, 2, 3)).clamp(min=4.0)
    out |= dict(zip(HEAT_NAMES, apart.sum((0, 2, 3)) / size, strict=True))
    share = torch.softmax(taught[:, net.CLASSES], dim=1)
    importance = (share * class_weights(maps.device)[:, None, None]).sum(1) * weight[:, 0]
    out["classes"] = weighed_mean(_one_of(maps[:, net.CLASSES], share), importance)
    collars = torch.maximum(heat[:, :1], heat[:, -1:])
    tips = heat[:, 1:2]
    for cells, where in ((COLLAR_CELLS, collars), (TIP_CELLS, tips)):
        for name, channels in cells.items():
            away = (maps[:, channels] - taught[:, channels]).abs().sum(1, keepdim=True)
            out[name] = weighed_mean(away, where.square())
    for name, channels in TIP_SHAPES.items():
        out[name] = weighed_mean(
            _apart(maps[:, channels], torch.sigmoid(taught[:, channels])), tips.square()
        )
    return out


def _answer_losses(answers: Tensor, taught: Tensor, weight: Tensor) -> dict[str, Tensor]:
    out = {}
    for name, channels in ONE_OF.items():
        away = _one_of(answers[:, channels], torch.softmax(taught[:, channels], dim=1))
        out[name] = weighed_mean(away, weight)
    for name, channels in YES_NO.items():
        away = _apart(answers[:, channels], torch.sigmoid(taught[:, channels])).mean(1)
        out[name] = weighed_mean(away, weight)
    return out


def _apart(logit: Tensor, p: Tensor) -> Tensor:
    """Divergence of yes-or-no beliefs from `p`, elementwise; 0 where they are the same."""
    logit_p = torch.logit(p, eps=1e-6)
    least = functional.binary_cross_entropy_with_logits(logit_p, p, reduction="none")
    return functional.binary_cross_entropy_with_logits(logit, p, reduction="none") - least


def _one_of(logits: Tensor, share: Tensor) -> Tensor:
    """Divergence of beliefs over channels from `share`; (N, C, ...) -> (N, ...)."""
    log_share = share.clamp(min=1e-9).log()
    return (share * (log_share - torch.log_softmax(logits, dim=1))).sum(1)
