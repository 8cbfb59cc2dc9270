"""Losses: one number a kind of answer, and how they are weighed.

Sample weights of zero drop an answer that a photo cannot teach (see `targets.RULES`).
"""

from __future__ import annotations

import functools

import torch
from torch import Tensor
from torch.nn import functional

from training import network as net
from training.targets import COUNT_THRESHOLDS, Targets, heatmaps, neighbourhood

# Balanced so that, once trained, each kind moves the shared layers by a like amount: the heatmaps
# lead, since the reading stands on them; regressions count for about a fifth of their heatmap.
WEIGHTS: dict[str, float] = {
    "collar": 1.0,
    "tip": 0.7,
    "base": 0.25,
    "arch": 0.25,
    "hidden": 0.3,
    "collar_offset": 0.5,
    "tip_offset": 0.3,
    "link": 0.5,
    "rounded": 0.3,
    "whole": 0.3,
    "collared": 0.5,
    "collar_rank": 0.7,
    "tip_rank": 0.4,
    "toward": 0.15,
    "arches": 0.2,
    "half_out": 0.2,
    "classes": 1.0,
    "overlap": 0.5,
    "count": 2.0,
    "usability": 0.5,
    "laid": 0.1,
    "first_leaf": 0.3,
    "lost": 0.3,
    "foot_first_leaf": 0.4,
    "foot_lost": 0.5,
}
HEAT_NAMES = ("collar", "tip", "base", "arch", "hidden")
# Blades and stalks are thin: background would drown them.
CLASS_WEIGHTS = (0.5, 1.5, 2.5, 0.8, 0.8)
LOG_SPREAD = (-4.0, 2.0)  # bounds of a leaf top's log spread, so that no error weighs without end
NEIGHBOUR_WEIGHT = 0.3  # of a cell beside the keypoint's own


def heat_loss(logit: Tensor, heat: Tensor, weight: Tensor) -> Tensor:
    """Penalty-reduced focal loss a channel (Law & Deng 2018; alpha 2, beta 4).

    Parameters are (N, C, h, w); gives (C,), each divided by the channel's weighted positives.
    """
    p = torch.sigmoid(logit)
    positive = (heat >= 1.0 - 1e-6).to(logit.dtype)
    at_point = functional.softplus(-logit) * (1 - p) ** 2 * positive
    elsewhere = functional.softplus(logit) * p**2 * (1 - heat) ** 4 * (1 - positive)
    total = ((at_point + elsewhere) * weight).sum((0, 2, 3))
    count = (positive * weight).sum((0, 2, 3))
    # A batch without points (rare) must not blow up, so never divide by less than a few.
    return total / count.clamp(min=4.0)


@functools.cache
def class_weights(device: torch.device) -> Tensor:
    """`CLASS_WEIGHTS` on a device: sent each time, the GPU would have to come to rest first."""
    return torch.tensor(CLASS_WEIGHTS, device=device)


def weighed_mean(values: Tensor, weight: Tensor) -> Tensor:
    """Mean by weight; of next to no weight it stays small."""
    return (values * weight).sum() / weight.sum().clamp(min=1.0)


def _gather(maps: Tensor, channels: slice, index: Tensor) -> Tensor:
    """Read map channels at flat cells: (N, C, h, w), (N, M) -> (N, M, C)."""
    flat = maps[:, channels].flatten(2)
    return flat.gather(2, index[:, None].expand(-1, flat.shape[1], -1)).transpose(1, 2)


def _neighbour_weights(weight: Tensor) -> Tensor:
    """Own cell 1, the eight around it `NEIGHBOUR_WEIGHT`; (N, K * 9)."""
    nine = torch.full((9,), NEIGHBOUR_WEIGHT, device=weight.device)
    nine[4] = 1.0
    return weight * nine.repeat(weight.shape[1] // 9)


def keypoint_losses(maps: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Losses of what stands at keypoint cells: offsets, links, ranks, tip shape."""
    shape = (maps.shape[2], maps.shape[3])
    out: dict[str, Tensor] = {}
    # Hidden collars sit in the same offset and rank channels as the seen ones.
    collars = torch.cat([targets.collars, targets.hidden], dim=1)
    index, offset, near = neighbourhood(collars, collars[..., 3], shape)
    near = _neighbour_weights(near) * targets.w_collars[:, None]
    got = _gather(maps, net.COLLAR_OFFSET, index)
    out["collar_offset"] = weighed_mean((got - offset).abs().sum(-1), near)
    rank = collars[..., 2].repeat_interleave(9, dim=1)
    got = _gather(maps, slice(net.COLLAR_RANK, net.COLLAR_RANK + 1), index)[..., 0]
    out["collar_rank"] = weighed_mean((got - rank / net.RANK_SCALE).abs(), near * (rank > 0))

    tips = targets.tips
    index, offset, near = neighbourhood(tips, tips[..., 3], shape)
    near = _neighbour_weights(near) * targets.w_tips[:, None]
    slots = tips.repeat_interleave(9, dim=1)
    got = _gather(maps, slice(net.TIP_OFFSET.start, net.LINK.stop), index)
    out["tip_offset"] = weighed_mean((got[..., 0:2] - offset).abs().sum(-1), near)
    whole = _gather(maps, slice(net.TIP_WHOLE, net.TIP_WHOLE + 1), index)[..., 0]
    shapes = {"rounded": (5, got[..., 2]), "collared": (4, got[..., 3]), "whole": (8, whole)}
    for name, (column, told) in shapes.items():
        known = slots[..., column] >= 0
        loss = functional.binary_cross_entropy_with_logits(
            told, slots[..., column].clamp(min=0), reduction="none"
        )
        out[name] = weighed_mean(loss, near * known)
    # The link starts at each cell's own centre plus its offset: the tip itself.
    link = (slots[..., 6:8] - slots[..., 0:2]) / net.LINK_SCALE
    known = torch.isfinite(link).all(-1)
    loss = functional.smooth_l1_loss(
        got[..., 4:6], torch.nan_to_num(link), reduction="none", beta=0.1
    )
    out["link"] = weighed_mean(loss.sum(-1), near * known)
    rank = slots[..., 2]
    got = _gather(maps, slice(net.TIP_RANK, net.TIP_RANK + 1), index)[..., 0]
    out["tip_rank"] = weighed_mean((got - rank / net.RANK_SCALE).abs(), near * (rank > 0))
    return out | top_losses(maps, targets)


def top_losses(maps: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Losses of what is told at each leaf's highest point.

    How far it stands towards the camera is told with a spread of its own: the likelihood of a
    Laplace distribution, so that what can't be seen costs little where it is known to be unsure.
    """
    tops = targets.tops
    index, _, near = neighbourhood(tops, tops[..., 5], (maps.shape[2], maps.shape[3]))
    near = _neighbour_weights(near) * targets.w_single[:, None]
    slots = tops.repeat_interleave(9, dim=1)
    got = _gather(maps, net.TOPS, index)
    known = torch.isfinite(slots)
    slots = torch.nan_to_num(slots)
    log_spread = got[..., 1].clamp(*LOG_SPREAD)
    away = (got[..., 0] - slots[..., 2] / net.TOWARD_SCALE).abs()
    out = {"toward": weighed_mean(away * torch.exp(-log_spread) + log_spread, near * known[..., 2])}
    for name, column in (("arches", 3), ("half_out", 4)):
        loss = functional.binary_cross_entropy_with_logits(
            got[..., column - 1], slots[..., column], reduction="none"
        )
        out[name] = weighed_mean(loss, near * known[..., column])
    return out


def class_losses(logits: Tensor, share: Tensor, weight: Tensor) -> dict[str, Tensor]:
    """Cross entropy against each cell's class shares, and a soft overlap (Dice) a class.

    Parameters
    ----------
    logits, share : (N, 5, h, w); weight : (N,).
    """
    importance = class_weights(logits.device)
    by_class = share * importance[:, None, None]
    log_p = torch.log_softmax(logits, dim=1)
    cross = -(by_class * log_p).sum(1) * weight[:, None, None]
    norm = (by_class.sum(1) * weight[:, None, None]).sum().clamp(min=1.0)
    p = log_p.exp() * weight[:, None, None, None]
    truth = share * weight[:, None, None, None]
    both = (p * truth).sum((0, 2, 3))
    either = (p.square() + truth.square()).sum((0, 2, 3))
    present = (truth.sum((0, 2, 3)) > 1.0).to(both.dtype)
    dice = (1 - (2 * both + 1.0) / (either + 1.0)) * present
    return {
        "classes": cross.sum() / norm,
        "overlap": dice.sum() / present.sum().clamp(min=1.0),
    }


def global_losses(answers: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Losses of the global answers."""
    binary = functional.binary_cross_entropy_with_logits
    at_least = torch.arange(1, COUNT_THRESHOLDS + 1, device=answers.device)
    reached = (targets.count[:, None] >= at_least).to(answers.dtype)
    count = binary(answers[:, net.COLLARS], reached, reduction="none").mean(1)

    def yes_no(channel: int, truth: Tensor, weight: Tensor) -> Tensor:
        return weighed_mean(binary(answers[:, channel], truth, reduction="none"), weight)

    def one_of(channels: slice, truth: Tensor, weight: Tensor) -> Tensor:
        cross = functional.cross_entropy(answers[:, channels], truth.long(), reduction="none")
        return weighed_mean(cross, weight)

    return {
        "count": weighed_mean(count, targets.w_count),
        "usability": one_of(net.USABILITY, targets.usability, targets.w_usability),
        "laid": yes_no(net.LAID, targets.laid, targets.w_laid),
        "first_leaf": yes_no(net.FIRST_LEAF, targets.first_leaf, targets.w_first),
        "lost": one_of(net.LOST, targets.lost, targets.w_lost),
        "foot_first_leaf": yes_no(net.FOOT_FIRST_LEAF, targets.first_leaf, targets.w_foot_first),
        "foot_lost": one_of(net.FOOT_LOST, targets.lost, targets.w_foot_lost),
    }


def all_losses(maps: Tensor, answers: Tensor, share: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Every loss by name, unweighed; also "total", their weighed sum."""
    heat, weight = heatmaps(targets, (maps.shape[2], maps.shape[3]))
    by_channel = heat_loss(maps[:, net.HEATS], heat, weight)
    losses = dict(zip(HEAT_NAMES, by_channel, strict=True))
    losses |= keypoint_losses(maps, targets)
    losses |= class_losses(maps[:, net.CLASSES], share, targets.w_classes)
    losses |= global_losses(answers, targets)
    losses["total"] = torch.stack([losses[name] * w for name, w in WEIGHTS.items()]).sum()
    return losses
