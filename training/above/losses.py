"""Targets drawn from points, and the losses of the network for photos from above."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from training.above import network as net
from training.above.augment import Points
from training.above.contract import MAP_STRIDE, OUTPUTS, SIGMA_CELLS
from training.losses import heat_loss

IGNORE_CELLS = 1.6
"""Around a tip that is hidden, or a plant that hardly shows, a peak is neither right nor wrong."""

WEIGHTS: dict[str, float] = {
    "plants": 1.0,
    "tips": 1.0,
    "canopy": 1.0,
    "other": 0.5,
    "link": 0.6,
    "count": 1.6,
    "double": 0.3,
}
NEIGHBOUR_WEIGHT = 0.3  # of a cell beside a point's own


def gaussians(
    points: Tensor,
    count: int,
    shape: tuple[int, int],
    sigma: float,
    chosen: Tensor | None = None,
) -> Tensor:
    """Peaks at points (M, 3): sample, x, y in px; joined by maximum, (N, h, w).

    The cell that holds a point is 1, so that every point has one positive. Points not `chosen`,
    (M,) bool, make none. Nothing is picked by a mask: a GPU would have to tell first how many
    those are, and wait for that.
    """
    height, width = shape
    reach = int(3 * sigma + 1)
    step = torch.arange(-reach, reach + 1, device=points.device)
    at = points[:, 1:3] / MAP_STRIDE
    cell = at.floor().long()
    column = cell[:, 0, None, None] + step[None, None, :]
    row = cell[:, 1, None, None] + step[None, :, None]
    gap_x = column + 0.5 - at[:, 0, None, None]
    gap_y = row + 0.5 - at[:, 1, None, None]
    value = torch.exp(-(gap_x**2 + gap_y**2) / (2 * sigma**2))
    value[:, reach, reach] = 1.0
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    if chosen is not None:
        inside = inside & chosen[:, None, None]
    index = (points[:, 0].long()[:, None, None] * height + row) * width + column
    flat = torch.zeros(count * height * width, device=points.device)
    flat.scatter_reduce_(0, (index * inside).flatten(), (value * inside).flatten(), "amax")
    return flat.view(count, height, width)


def targets(points: Points, count: int, shape: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """Heatmaps (N, 2, h, w) of plants and tips, and the weight of each cell."""
    seen = points.tips[:, 3] > 0.5
    tips = points.tips[:, :3]
    heat = torch.stack(
        [
            gaussians(points.plants[:, :3], count, shape, SIGMA_CELLS["plants"]),
            gaussians(tips, count, shape, SIGMA_CELLS["tips"], seen),
        ],
        1,
    )
    blind = torch.stack(
        [
            gaussians(points.faint, count, shape, IGNORE_CELLS),
            gaussians(tips, count, shape, IGNORE_CELLS, ~seen),
        ],
        1,
    )
    weight = 1.0 - ((blind > 0.6065) & (heat < 0.6)).float()
    return heat, weight


def _around(points: Tensor, shape: tuple[int, int]) -> tuple[Tensor, Tensor, Tensor]:
    """The 3 x 3 cells around points (M, 3).

    Returns
    -------
    index : (M, 9) flat cell of the batch; weight : (M, 9), 0 off the map; centre : (M, 9, 2)
    px of each cell's centre.
    """
    height, width = shape
    nine = torch.arange(9, device=points.device)
    steps = torch.stack([nine % 3 - 1, nine // 3 - 1], 1)
    cell = (points[:, 1:3] / MAP_STRIDE).floor().long()[:, None] + steps
    inside = (cell[..., 0] >= 0) & (cell[..., 0] < width)
    inside &= (cell[..., 1] >= 0) & (cell[..., 1] < height)
    weight = torch.full((9,), NEIGHBOUR_WEIGHT, device=points.device)
    weight[4] = 1.0
    row, column = cell[..., 1].clamp(0, height - 1), cell[..., 0].clamp(0, width - 1)
    index = (points[:, 0].long()[:, None] * height + row) * width + column
    return index, inside * weight, (cell + 0.5) * MAP_STRIDE


def _read(maps: Tensor, channels: slice, index: Tensor) -> Tensor:
    """Channels of maps (N, C, h, w) at flat cells (M, 9): (M, 9, c)."""
    flat = maps[:, channels].permute(0, 2, 3, 1).reshape(-1, channels.stop - channels.start)
    return flat[index]


def _mean(values: Tensor, weight: Tensor) -> Tensor:
    return (values * weight).sum() / weight.sum().clamp(min=1.0)


def area_loss(logit: Tensor, share: Tensor) -> Tensor:
    """Cross entropy against cells' shares and a soft overlap (Dice)."""
    cross = functional.binary_cross_entropy_with_logits(logit, share)
    p = torch.sigmoid(logit)
    both = (p * share).sum()
    overlap = 1 - (2 * both + 1) / (p.square().sum() + share.square().sum() + 1)
    return 4.0 * cross + 0.5 * overlap


def all_losses(maps: Tensor, share: Tensor, points: Points) -> dict[str, Tensor]:
    """Every loss by name, unweighed; also "total", their weighed sum.

    Parameters
    ----------
    maps : (N, 8, h, w) logits.
    share : (N, 2, h, w) of corn and of other plants in each cell.
    points : Points
    """
    shape = (maps.shape[2], maps.shape[3])
    heat, weight = targets(points, maps.shape[0], shape)
    peaks = torch.cat([maps[:, OUTPUTS["plants"]], maps[:, OUTPUTS["tips"]]], 1)
    by_channel = heat_loss(peaks, heat, weight)
    losses = {
        "plants": by_channel[0],
        "tips": by_channel[1],
        "canopy": area_loss(maps[:, OUTPUTS["canopy"]], share[:, :1]),
        "other": area_loss(maps[:, OUTPUTS["other"]], share[:, 1:]),
    }
    tips = points.tips
    index, near, centre = _around(tips[:, :3], shape)
    near = near * tips[:, None, 3]  # a hidden tip's link isn't asked for
    want = (tips[:, None, 4:6] - centre) / net.LINK_SCALE_PX
    got = _read(maps, OUTPUTS["to_plant"], index)
    gap = functional.smooth_l1_loss(got, want, reduction="none", beta=0.05).sum(-1)
    losses["link"] = _mean(gap, near)
    plants = points.plants
    index, near, _ = _around(plants[:, :3], shape)
    want = plants[:, None, 3:4] / net.COUNT_SCALE
    got = _read(maps, OUTPUTS["tip_count"], index)
    gap = functional.smooth_l1_loss(got, want.expand_as(got), reduction="none", beta=0.1)
    losses["count"] = _mean(gap[..., 0], near * plants[:, None, 4])
    double = plants[:, None, 5].expand(-1, 9)
    got = _read(maps, OUTPUTS["double"], index)[..., 0]
    cross = functional.binary_cross_entropy_with_logits(
        got,
        double,
        reduction="none",
        pos_weight=torch.full((), net.DOUBLE_WEIGHT, device=maps.device),
    )
    losses["double"] = _mean(cross, near)
    losses["total"] = torch.stack([losses[name] * w for name, w in WEIGHTS.items()]).sum()
    return losses
