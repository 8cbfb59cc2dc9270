"""What the network should answer: from truth and view to arrays, from arrays to heatmaps.

`collect` runs on the CPU in numpy, a row of padded arrays per sample; `Targets.to` sends them to
the GPU at once; `heatmaps` draws there. Which truths count for which reason is in `RULES`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import torch
from torch import Tensor

from training.network import MAP_STRIDE, REASONS
from training.samples import Truth
from training.views import View

MAX_COLLARS, MAX_TIPS = 16, 20
COUNT_THRESHOLDS = 12
# Gaussian spread in map px. Two collars may lie 2.5 map px apart, so theirs is the tightest.
HEAT_SIGMA = {"collar": 1.3, "tip": 2.0, "base": 2.0, "arch": 2.0, "hidden": 1.5}
IGNORE_RADIUS = 2.5  # map px around an occluded point, where a peak is neither right nor wrong


@dataclass(frozen=True)
class Rule:
    """Weights of the kinds of truth for one reason, at the READ and at the LOOK."""

    classes: float
    points: float  # keypoints; with none listed: heatmaps are all zero
    whole: float  # what takes a whole plant: count of collars, first leaf, lost leaves
    usability_look: float
    usability_read: float


# Why: "several" lists every plant's collars and tips but only one foot and arch, and whether there
# are several is a fact of the whole photo, not of a crop of one. "cut_off" photos show true
# keypoints, but their stage is not to be learnt from half a plant. A blurred or dark photo's
# keypoints are not to be guessed. Weeds are no maize: their mask stands, their heatmaps are zero.
RULES: dict[str, Rule] = {
    "ok": Rule(1.0, 1.0, 1.0, 1.0, 1.0),
    "no_plant": Rule(1.0, 1.0, 0.0, 1.0, 1.0),
    "several": Rule(1.0, 1.0, 0.0, 1.0, 0.0),
    "cut_off": Rule(1.0, 1.0, 0.0, 1.0, 1.0),
    "blurred": Rule(0.5, 0.0, 0.0, 1.0, 1.0),
    "dark": Rule(0.25, 0.0, 0.0, 1.0, 1.0),
    "not_maize": Rule(0.5, 1.0, 0.0, 1.0, 1.0),
}
# At the first look collars are under a map px apart: run time reads only plant, foot and arch.
LOOK_COLLAR_WEIGHT, LOOK_TIP_WEIGHT = 0.0, 0.3


@dataclass(frozen=True)
class Targets:
    """A batch of answers; N samples, K keypoint slots; positions in map px.

    ``collars`` (N, 16, 4): u, v, rank, 1 where the slot is used; ``hidden`` alike (occluded
    collars). ``tips`` (N, 20, 9): u, v, rank, used, has_collar, rounded (-1 unknown), link u, v
    (NaN unknown, absolute), whole (-1 unknown). ``blind_tips`` (N, 20, 3): u, v, used.
    ``tops`` (N, 20, 6): u, v, map px towards the camera, arches, half out (NaN unknown), used.
    ``base``, ``arch`` (N, 3): u, v, used. The ``w_*`` arrays (N,) weigh each sample's losses.
    """

    collars: Tensor
    hidden: Tensor
    tips: Tensor
    blind_tips: Tensor
    tops: Tensor
    base: Tensor
    arch: Tensor
    count: Tensor
    usability: Tensor
    laid: Tensor
    first_leaf: Tensor
    lost: Tensor
    w_classes: Tensor
    w_collars: Tensor
    w_tips: Tensor
    w_single: Tensor
    w_base: Tensor
    w_arch: Tensor
    w_count: Tensor
    w_usability: Tensor
    w_laid: Tensor
    w_first: Tensor
    w_lost: Tensor
    w_foot_first: Tensor
    w_foot_lost: Tensor
    w_taught: Tensor
    w_taught_maps: Tensor

    def to(self, device: torch.device) -> Targets:
        """Send everything to a device."""
        return replace(
            self,
            **{f.name: getattr(self, f.name).to(device, non_blocking=True) for f in fields(self)},
        )


def _slots(count: int, width: int) -> np.ndarray:
    return np.zeros((count, width), np.float32)


def _point_row(net: np.ndarray, shown: np.ndarray) -> np.ndarray:
    """What is asked of one point: net (1, 2) px, or (0, 2) where there is none."""
    row = np.zeros(3, np.float32)
    if shown.any():
        row[:2] = net[0] / MAP_STRIDE
        row[2] = 1.0
    return row


def _mapped(truth: Truth, view: View) -> list[tuple[np.ndarray, np.ndarray]]:
    """Network px (n, 2), and whether they show, of collars, tips, links, tops, base and arch.

    In one go: a step has forty views, and mapping each kind apart took half of its planning.
    """
    points = [
        truth.collars[:, :2],
        truth.tips[:, :2],
        truth.tips[:, 6:8],
        truth.tops[:, :2],
        *(np.zeros((0, 2)) if xy is None else xy[None] for xy in (truth.base_xy, truth.arch_xy)),
    ]
    net = view.to_net(np.concatenate(points))
    ends = np.cumsum([len(group) for group in points])[:-1]
    return list(zip(np.split(net, ends), np.split(view.shows(net), ends), strict=True))


def _one(truth: Truth, view: View, reason: str) -> dict[str, np.ndarray | float]:
    rule = RULES[reason]
    partial = truth.partial  # nothing that takes the whole plant to know
    collars, hidden = _slots(MAX_COLLARS, 4), _slots(MAX_COLLARS, 4)
    tips, blind = _slots(MAX_TIPS, 9), _slots(MAX_TIPS, 3)
    tops = _slots(MAX_TIPS, 6)
    all_shown = True
    at_collars, at_tips, at_links, at_tops, at_base, at_arch = _mapped(truth, view)
    if len(truth.collars):
        net, shown = at_collars
        occluded = truth.collars[:, 3] > 0.5
        all_shown = bool((shown | occluded).all())
        for slots, chosen in ((collars, shown & ~occluded), (hidden, shown & occluded)):
            at = np.flatnonzero(chosen)[:MAX_COLLARS]
            slots[: len(at), :2] = net[at] / MAP_STRIDE
            slots[: len(at), 2] = 0 if partial else truth.collars[at, 2]
            slots[: len(at), 3] = 1.0
    if len(truth.tips):
        net, shown = at_tips
        links, links_shown = at_links
        occluded = truth.tips[:, 3] > 0.5
        at = np.flatnonzero(shown & ~occluded)[:MAX_TIPS]
        tips[: len(at), :2] = net[at] / MAP_STRIDE
        tips[: len(at), 2] = 0 if partial else truth.tips[at, 2]
        tips[: len(at), 3] = 1.0
        tips[: len(at), 4:6] = truth.tips[at, 4:6]
        tips[: len(at), 6:8] = links[at] / MAP_STRIDE
        tips[: len(at), 8] = truth.tips[at, 8]
        if partial:
            tips[: len(at), 6:8][~links_shown[at]] = np.nan
        at = np.flatnonzero(shown & occluded)[:MAX_TIPS]
        blind[: len(at), :2] = net[at] / MAP_STRIDE
        blind[: len(at), 2] = 1.0
    net, shown = at_tops
    at = np.flatnonzero(shown)[:MAX_TIPS]
    tops[: len(at), :2] = net[at] / MAP_STRIDE
    tops[: len(at), 2:5] = truth.tops[at, 2:5]
    tops[: len(at), 2] *= view.net_px_per_px / MAP_STRIDE
    tops[: len(at), 5] = 1.0
    base = _point_row(*at_base)
    all_shown = all_shown and (truth.base_xy is None or base[2] > 0)
    # People who correct a plant paint no part map, some only say how many collars there are, and
    # some mark the collars alone: where nobody marked a tip, there may be tips all the same.
    points = rule.points * truth.known("points")
    classes = rule.classes * truth.known("classes")
    layout_known = "layout" not in truth.row or truth.row["layout"] is not None
    single = points * float(truth.reason != "several" and not partial)
    # Whatever takes a whole plant to know.
    whole = rule.whole * float((all_shown or view.look) and not partial)
    count_known = truth.stage is not None and truth.lost_leaves is not None
    foot = rule.whole * float(base[2] > 0) if truth.view == "foot" else whole
    has_plant = reason not in ("no_plant", "not_maize")
    return {
        "collars": collars,
        "hidden": hidden,
        "tips": tips,
        "blind_tips": blind,
        "tops": tops,
        "base": base,
        "arch": _point_row(*at_arch),
        # Collars on the plant, seen or behind a blade. Lost leaves aren't in it: whether leaf 1 is
        # there is seen at the plant's foot alone, and a count that has to know both learns neither.
        "count": float(np.clip((truth.stage or 0) - (truth.lost_leaves or 0), 0, COUNT_THRESHOLDS)),
        "usability": float(REASONS.index(reason)),
        "laid": float(truth.laid),
        "first_leaf": float(bool(truth.first_leaf)),
        "lost": float(min(truth.lost_leaves or 0, 3)),
        "w_classes": classes,
        "w_collars": points * (LOOK_COLLAR_WEIGHT if view.look else 1.0),
        "w_tips": points * truth.known("tips") * (LOOK_TIP_WEIGHT if view.look else 1.0),
        "w_single": single,
        "w_base": single * truth.known("soil"),
        "w_arch": single * truth.known("arch"),
        "w_count": whole * float(count_known),
        "w_usability": (rule.usability_look if view.look else rule.usability_read) * (not partial),
        "w_laid": float(has_plant and layout_known and reason != "dark" and not partial),
        "w_first": whole * float(truth.first_leaf is not None),
        "w_lost": whole * float(truth.lost_leaves is not None),
        "w_foot_first": foot * float(truth.first_leaf is not None),
        "w_foot_lost": foot * float(truth.lost_leaves is not None),
        # Teachers may never have seen such a part: what they say of its plant isn't learnt.
        "w_taught": float(not partial),
        # Nor what they can't part in a closer look, where the truth tells more than they do.
        "w_taught_maps": float(truth.view != "close"),
    }


def collect(
    truths: Sequence[Truth], views: Sequence[View], reasons: Sequence[str] | None = None
) -> Targets:
    """Gather a batch's answers on the CPU.

    Parameters
    ----------
    truths, views : one of each per sample.
    reasons : what each sample has become after augmentation; the views' own by default.
    """
    reasons = list(reasons) if reasons is not None else [view.reason for view in views]
    rows = [_one(t, v, r) for t, v, r in zip(truths, views, reasons, strict=True)]
    stacked = {
        name: torch.from_numpy(np.stack([np.asarray(row[name], np.float32) for row in rows]))
        for name in rows[0]
    }
    return Targets(**stacked)


def _gaussians(u: Tensor, v: Tensor, used: Tensor, sigma: float, shape: tuple[int, int]) -> Tensor:
    """Draw (N, K) gaussians at cell centres and join them by maximum: (N, h, w).

    The cell that holds the point is set to 1, so that every point has exactly one positive.
    """
    height, width = shape
    rows = torch.arange(height, device=u.device) + 0.5
    columns = torch.arange(width, device=u.device) + 0.5
    along_x = torch.exp(-((columns - u[..., None]) ** 2) / (2 * sigma**2))
    along_y = torch.exp(-((rows - v[..., None]) ** 2) / (2 * sigma**2)) * used[..., None]
    heat = torch.zeros(u.shape[0], height, width, device=u.device)
    for k in range(u.shape[1]):  # a loop keeps the memory at one map a sample
        heat = torch.maximum(heat, along_y[:, k, :, None] * along_x[:, k, None, :])
    index = _cell(u, v, shape)
    flat = heat.flatten(1)
    return flat.scatter_reduce(1, index, used.to(flat.dtype), "amax").view_as(heat)


def _cell(u: Tensor, v: Tensor, shape: tuple[int, int]) -> Tensor:
    """Flat index of the cell that holds each point."""
    height, width = shape
    column = u.floor().long().clamp(0, width - 1)
    row = v.floor().long().clamp(0, height - 1)
    return row * width + column


def _near(points: Tensor, used: Tensor, shape: tuple[int, int], radius: float) -> Tensor:
    """Tell which cells lie within a radius of any used point: (N, h, w) bool."""
    sigma = radius
    edge = float(np.exp(-0.5))
    return _gaussians(points[..., 0], points[..., 1], used, sigma, shape) >= edge


def heatmaps(targets: Targets, shape: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """Draw the five heatmaps and the weight of each cell.

    Returns
    -------
    heat : (N, 5, h, w), order of the network's heat channels: collar, tip, base, arch, hidden.
    weight : (N, 5, h, w); 0 where a peak would be neither right nor wrong.
    """
    c, t, h = targets.collars, targets.tips, targets.hidden
    heat = torch.stack(
        [
            _gaussians(c[..., 0], c[..., 1], c[..., 3], HEAT_SIGMA["collar"], shape),
            _gaussians(t[..., 0], t[..., 1], t[..., 3], HEAT_SIGMA["tip"], shape),
            _single(targets.base, HEAT_SIGMA["base"], shape),
            _single(targets.arch, HEAT_SIGMA["arch"], shape),
            _gaussians(h[..., 0], h[..., 1], h[..., 3], HEAT_SIGMA["hidden"], shape),
        ],
        dim=1,
    )
    by_sample = torch.stack(
        [
            targets.w_collars,
            targets.w_tips,
            targets.w_base,
            targets.w_arch,
            targets.w_collars,
        ],
        dim=1,
    )[..., None, None]
    weight = by_sample.expand_as(heat).clone()
    near_hidden = _near(h, h[..., 3], shape, IGNORE_RADIUS) & (heat[:, 0] < 0.6)
    near_blind = _near(targets.blind_tips, targets.blind_tips[..., 2], shape, IGNORE_RADIUS)
    weight[:, 0] *= ~near_hidden
    weight[:, 1] *= ~(near_blind & (heat[:, 1] < 0.6))
    return heat, weight


def _single(point: Tensor, sigma: float, shape: tuple[int, int]) -> Tensor:
    return _gaussians(point[:, None, 0], point[:, None, 1], point[:, None, 2], sigma, shape)


def neighbourhood(
    points: Tensor, used: Tensor, shape: tuple[int, int]
) -> tuple[Tensor, Tensor, Tensor]:
    """List the 3 x 3 cells around each keypoint.

    Returns
    -------
    index : (N, K * 9) flat cell indices; offset : (N, K * 9, 2) from each cell's centre to the
    keypoint, map px; weight : (N, K * 9), 0 for unused slots, cells off the map and cells that
    lie nearer to another keypoint of the same kind.
    """
    height, width = shape
    near = torch.arange(-1, 2, device=points.device)  # made there: nothing to send and wait for
    steps = torch.stack([near.repeat(3), near.repeat_interleave(3)], dim=1)  # x, y
    cell = points[..., :2].floor()[:, :, None] + steps  # (N, K, 9, 2)
    column, row = cell[..., 0], cell[..., 1]
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    index = row.clamp(0, height - 1).long() * width + column.clamp(0, width - 1).long()
    center = cell + 0.5
    offset = points[:, :, None, :2] - center
    distance = (points[:, None, None, :, :2] - center[:, :, :, None]).square().sum(-1)
    distance = distance + (1.0 - used)[:, None, None] * 1e6  # (N, K, 9, K)
    own = torch.arange(points.shape[1], device=points.device)[None, :, None]
    weight = inside & (distance.argmin(-1) == own) & (used[:, :, None] > 0)
    return index.flatten(1), offset.flatten(1, 2), weight.flatten(1).to(points.dtype)
