"""Quick figures of a network on samples it never trained on; the network alone, no pipeline.

Collars and tips count as found within 0.025 of the plant's height in pixels, one to one, nearest
first; occluded ones neither help nor hurt (the rule of `scoring`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from training import network as net
from training.augment import plain_batch
from training.network import image_device
from training.plan import SOFT
from training.samples import Sample
from training.scoring import F1Counts, plant_height_px
from training.targets import RULES
from training.views import READ_PX, View, magnified, plain_look, plain_read

THRESHOLDS = (0.2, 0.3, 0.4, 0.5)
REPORTED = 0.3
CLASS_NAMES = ("background", "blade", "stalk", "soil", "card")


def peaks(heat: Tensor, offset: Tensor, lowest: float, most: int = 40) -> list[np.ndarray]:
    """Find local maxima of one heatmap a sample.

    Parameters
    ----------
    heat : (N, h, w) probabilities; offset : (N, 2, h, w).

    Returns
    -------
    A (n, 4) array a sample: u, v in map px, score, flat cell index; best first.
    """
    ring = functional.max_pool2d(heat[:, None], 3, 1, 1)[:, 0]
    kept = torch.where(heat >= ring, heat, torch.zeros_like(heat)).flatten(1)
    score, index = kept.topk(min(most, kept.shape[1]), dim=1)
    width = heat.shape[2]
    near = offset.flatten(2).gather(2, index[:, None].expand(-1, 2, -1)).clamp(-1.5, 1.5)
    u = (index % width) + 0.5 + near[:, 0]
    v = torch.div(index, width, rounding_mode="floor") + 0.5 + near[:, 1]
    found = torch.stack([u, v, score, index.float()], dim=-1).cpu().numpy()
    return [row[row[:, 2] >= lowest] for row in found]


def _batches(items: Sequence[Any], size: int) -> list[Sequence[Any]]:
    return [items[i : i + size] for i in range(0, len(items), size)]


def _forward(
    network: nn.Module, samples: Sequence[Sample], views: Sequence[View], device: torch.device
) -> tuple[Tensor, Tensor, Tensor]:
    image, share = plain_batch(samples, views, device)
    with torch.autocast(image_device(image), torch.bfloat16, enabled=device.type == "cuda"):
        maps, answers = network(image)
    return maps.float(), answers.float(), share


class _Tally:
    """Sums over the samples; `report` turns them into figures."""

    def __init__(self) -> None:
        self.collars = {t: F1Counts() for t in THRESHOLDS}
        self.tips = {t: F1Counts() for t in THRESHOLDS}
        self.hits: dict[str, list[float]] = {}
        self.both = torch.zeros(5)
        self.either = torch.zeros(5)

    def hit(self, name: str, value: float) -> None:
        self.hits.setdefault(name, []).append(float(value))

    def classes(self, maps: Tensor, share: Tensor) -> None:
        guess, truth = maps[:, net.CLASSES].argmax(1), share.argmax(1)
        for k in range(5):
            a, b = guess == k, truth == k
            self.both[k] += float((a & b).sum())
            self.either[k] += float((a | b).sum())

    def points(self, sample: Sample, view: View, collars: np.ndarray, tips: np.ndarray) -> None:
        truth = sample.truth
        px = net.MAP_STRIDE * np.sqrt(abs(np.linalg.det(view.sample_from_net[:2, :2])))
        reach = 0.025 * plant_height_px(truth.row) / px
        for counts, kind, found in (
            (self.collars, truth.collars, collars),
            (self.tips, truth.tips, tips),
        ):
            at = view.to_net(kind[:, :2]) / net.MAP_STRIDE
            hidden = kind[:, 3] > 0.5
            for threshold, count in counts.items():
                kept = found[found[:, 2] >= threshold, :2]
                count.add(at[~hidden].tolist(), at[hidden].tolist(), kept.tolist(), reach)

    def report(self) -> dict[str, Any]:
        out: dict[str, Any] = {k: float(np.mean(v)) for k, v in sorted(self.hits.items())}
        for name, counts in (("collar", self.collars), ("tip", self.tips)):
            precision, recall, f1 = counts[REPORTED].scores()
            best = max(counts, key=lambda t: counts[t].scores()[2])
            out |= {
                f"{name}_precision": precision,
                f"{name}_recall": recall,
                f"{name}_f1": f1,
                f"{name}_best_f1": counts[best].scores()[2],
                f"{name}_best_threshold": best,
            }
        present = self.either > 0
        overlap = torch.where(present, self.both / self.either.clamp(min=1), torch.nan)
        out["miou"] = float(overlap[present].mean()) if present.any() else float("nan")
        out |= {
            f"iou_{n}": float(v)
            for n, v in zip(CLASS_NAMES, overlap, strict=True)
            if not torch.isnan(v)
        }
        return out


def _read(
    tally: _Tally, network: nn.Module, batch: Sequence[Sample], size: int, device: torch.device
) -> None:
    views = [plain_read(s.truth, s.mask.shape[1], s.mask.shape[0], size) for s in batch]
    maps, answers, share = _forward(network, batch, views, device)
    tally.classes(maps, share)
    heat = torch.sigmoid(maps[:, net.HEATS])
    collars = peaks(heat[:, 0], maps[:, net.COLLAR_OFFSET], min(THRESHOLDS))
    tips = peaks(heat[:, 1], maps[:, net.TIP_OFFSET], min(THRESHOLDS))
    rank_map = (maps[:, net.COLLAR_RANK] * net.RANK_SCALE).flatten(1).cpu().numpy()
    one = maps.new_zeros(len(batch), 2, *maps.shape[2:])
    bases, arches = peaks(heat[:, 2], one, 0.0, 1), peaks(heat[:, 3], one, 0.0, 1)
    answers = answers.cpu()
    for i, (sample, view) in enumerate(zip(batch, views, strict=True)):
        truth = sample.truth
        if RULES[truth.reason].usability_read:
            guess = net.REASONS[int(answers[i, net.USABILITY].argmax())]
            tally.hit("usability_read", guess == truth.reason)
        if truth.reason != "ok" or truth.stage is None:
            continue
        tally.points(sample, view, collars[i], tips[i])
        if truth.lost_leaves is not None:
            off = int((answers[i, net.COLLARS] > 0).sum()) - max(truth.stage - truth.lost_leaves, 0)
            tally.hit("count_exact", off == 0)
            tally.hit("count_within_1", abs(off) <= 1)
            tally.hit("count_bias", off)
        sure = collars[i][collars[i][:, 2] >= REPORTED]
        ranks = np.rint(rank_map[i][sure[:, 3].astype(int)])
        tally.hit("top_rank_exact", (int(ranks.max()) if len(ranks) else 0) == truth.stage)
        tally.hit("laid", (answers[i, net.LAID] > 0) == truth.laid)
        if truth.first_leaf is not None:
            tally.hit("first_leaf", (answers[i, net.FIRST_LEAF] > 0) == truth.first_leaf)
            told = answers[i, net.FOOT_FIRST_LEAF] > 0
            tally.hit("foot_first_leaf", told == truth.first_leaf)
        if truth.lost_leaves is not None:
            for name, channels in (("lost_leaves", net.LOST), ("foot_lost", net.FOOT_LOST)):
                right = int(answers[i, channels].argmax()) == min(truth.lost_leaves, 3)
                tally.hit(name, right)
        scale = np.sqrt(abs(np.linalg.det(view.sample_from_net[:2, :2]))) * net.MAP_STRIDE
        height = plant_height_px(truth.row) / scale
        for name, xy, got in (
            ("base", truth.base_xy, bases[i]),
            ("arch", truth.arch_xy, arches[i]),
        ):
            if xy is not None and len(got):
                miss = np.linalg.norm(view.to_net(xy)[0] / net.MAP_STRIDE - got[0, :2])
                tally.hit(f"{name}_within_3pc", miss <= 0.03 * height)


@torch.no_grad()
def validate(
    network: nn.Module,
    samples: Sequence[Sample],
    device: torch.device,
    size: int = 640,
    batch: int = 16,
) -> dict[str, Any]:
    """Measure a network in evaluation mode on READ crops and, for whole photos, the LOOK."""
    network.eval()
    tally = _Tally()
    # Whole photos are stored too small to be read closely; they count for what they can show.
    readable = [
        s
        for s in samples
        if not s.truth.partial
        and (
            s.truth.reason != "ok"
            or magnified(s.truth, s.mask.shape[1], s.mask.shape[0]) * size / READ_PX <= SOFT
        )
    ]
    for part in _batches(readable, batch):
        _read(tally, network, part, size, device)
    for part in _batches([s for s in samples if s.truth.view == "photo"], batch * 2):
        views = [plain_look(s.truth, s.mask.shape[1], s.mask.shape[0]) for s in part]
        _, answers, _ = _forward(network, part, views, device)
        guesses = answers[:, net.USABILITY].argmax(1).tolist()
        for sample, guess in zip(part, guesses, strict=True):
            right = net.REASONS[guess] == sample.truth.reason
            tally.hit("usability_look", right)
            tally.hit(
                "usable_or_not_look", (net.REASONS[guess] == "ok") == (sample.truth.reason == "ok")
            )
    return {"samples": len(samples), **tally.report()}


def format_scores(scores: dict[str, Any]) -> str:
    """A compact table, four figures a line."""
    cells = [
        f"{k:>22} {v:7.3f}" if isinstance(v, float) else f"{k:>22} {v:7d}"
        for k, v in scores.items()
    ]
    return "\n".join("".join(cells[i : i + 4]) for i in range(0, len(cells), 4))
