"""Measure the network for photos from above on samples never trained on.

python -m training.above.validate --checkpoint above.pt --samples DIR

Peaks are read plainly here; run time does more. Plants are matched to truth within 40 mm, each
at most once.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.above import network as net
from training.above.contract import MAP_STRIDE, OUTPUTS, WORKING_MM_PER_PX
from training.above.samples import AboveSample, at_working_scale, load, parse_truth
from training.checkpoint import load_weights
from training.scoring import read_jsonl

MATCH_MM = 40.0
TIP_MATCH_MM = 24.0
THRESHOLD = {"plants": 0.35, "tips": 0.3, "double": 0.5, "canopy": 0.5}
EDGE_PX = 12.0
"""Plants this near the picture's edge are neither asked for nor held against the network."""


def peaks(heat: Tensor, threshold: float) -> tuple[np.ndarray, np.ndarray]:
    """Local maxima of a heatmap (h, w): working px (K, 2) and scores (K,)."""
    top = functional.max_pool2d(heat[None, None], 3, 1, 1)[0, 0]
    row, column = torch.nonzero((heat >= top) & (heat > threshold), as_tuple=True)
    score = heat[row, column].cpu().numpy()
    padded = functional.pad(heat[None, None], (1, 1, 1, 1))[0, 0].cpu().numpy()
    out = []
    for r, c in zip(row.tolist(), column.tolist(), strict=True):
        patch = padded[r : r + 3, c : c + 3]
        total = max(float(patch.sum()), 1e-6)
        step = np.array([-1.0, 0.0, 1.0])
        dx, dy = float((patch.sum(0) * step).sum()), float((patch.sum(1) * step).sum())
        out.append(((c + 0.5 + dx / total) * MAP_STRIDE, (r + 0.5 + dy / total) * MAP_STRIDE))
    return np.array(out, np.float32).reshape(-1, 2), score


def match(found: np.ndarray, truth: np.ndarray, reach_px: float) -> list[tuple[int, int]]:
    """Pairs (found, truth) nearest first, each at most once, within a reach."""
    if not len(found) or not len(truth):
        return []
    away = np.linalg.norm(found[:, None] - truth[None], axis=2)
    order = np.dstack(np.unravel_index(np.argsort(away, axis=None), away.shape))[0]
    pairs, used_f, used_t = [], set(), set()
    for f, t in order:
        if away[f, t] > reach_px:
            break
        if f not in used_f and t not in used_t:
            pairs.append((int(f), int(t)))
            used_f.add(f)
            used_t.add(t)
    return pairs


def _counts(sample: AboveSample, maps: dict[str, Tensor]) -> dict[str, Any]:
    """Right, wrong and missed plants and tips of one picture, tip counts, areas."""
    mm = WORKING_MM_PER_PX
    at, _ = peaks(maps["plants"][0], THRESHOLD["plants"])
    cell = np.floor(at / MAP_STRIDE).astype(int)
    double = maps["double"][0].cpu().numpy()[cell[:, 1], cell[:, 0]] > THRESHOLD["double"]
    counted = maps["tip_count"][0].cpu().numpy()[cell[:, 1], cell[:, 0]]
    # A double counts as two plants at one place.
    found = np.concatenate([at, at[double]])
    merged = sample.truth  # plants that stand together are one here, as for the network
    pairs_of = parse_truth(dict(merged.row), merge_mm=0.0)
    stretch = merged_stretch(sample)
    single = pairs_of.plants[:, :2] * stretch
    size = np.array(sample.mask.shape[::-1], float)
    shown = (sample.mask != 255).numpy()
    limit = np.array([shown.any(0).sum(), shown.any(1).sum()], float)

    def inner(xy: np.ndarray) -> np.ndarray:
        ok: np.ndarray = ((xy >= EDGE_PX) & (xy < np.minimum(size, limit) - EDGE_PX)).all(1)
        return ok

    pairs = match(found, single, MATCH_MM / mm)
    faint = merged.faint
    hit_f, hit_t = {f for f, _ in pairs}, {t for _, t in pairs}
    excused = np.zeros(len(found), bool)
    if len(faint) and len(found):
        excused = (np.linalg.norm(found[:, None] - faint[None], axis=2) < MATCH_MM / mm).any(1)
    right = sum(1 for _, t in pairs if inner(single[t : t + 1])[0])
    missed = sum(1 for t in range(len(single)) if t not in hit_t and inner(single[t : t + 1])[0])
    wrong = sum(
        1
        for f in range(len(found))
        if f not in hit_f and not excused[f] and inner(found[f : f + 1])[0]
    )
    tips, _ = peaks(maps["tips"][0], THRESHOLD["tips"])
    seen = merged.tips[merged.tips[:, 3] > 0.5]
    tip_pairs = match(tips, seen[:, :2], TIP_MATCH_MM / mm)
    cells = np.floor(tips / MAP_STRIDE).astype(int)
    links = maps["to_plant"].cpu().numpy()[:, cells[:, 1], cells[:, 0]].T
    home = (cells + 0.5) * MAP_STRIDE + links
    by_link = np.zeros(len(at))
    if len(at) and len(home):
        away = np.linalg.norm(home[:, None] - at[None], axis=2)
        nearest = away.argmin(1)
        np.add.at(by_link, nearest[away.min(1) < 60 / mm], 1)
    rows = []
    for f, t in match(at, merged.plants[:, :2], MATCH_MM / mm):
        if merged.plants[t, 3] > 0.5 and merged.plants[t, 4] < 0.5:
            of_plant = (merged.tips[:, 2] == t) & (merged.tips[:, 3] > 0.5)
            rows.append(
                {
                    "stage": float(merged.plants[t, 5]),
                    "shown": float(merged.plants[t, 2]),
                    "seen": int(of_plant.sum()),
                    "counted": float(counted[f]),
                    "linked": float(by_link[f]),
                }
            )
    corn = functional.avg_pool2d((sample.mask == 1).float()[None, None], MAP_STRIDE)[0, 0] > 0.5
    said = (maps["canopy"][0] > THRESHOLD["canopy"]).cpu()
    valid = functional.avg_pool2d((sample.mask != 255).float()[None, None], MAP_STRIDE)[0, 0] > 0.99
    return {
        "right": right,
        "wrong": wrong,
        "missed": missed,
        "tips_right": len(tip_pairs),
        "tips_wrong": len(tips) - len(tip_pairs),
        "tips_missed": len(seen) - len(tip_pairs),
        "doubles_said": int(double.sum()),
        "doubles_true": int((merged.plants[:, 4] > 0.5).sum()),
        "corn_both": int((corn & said & valid).sum()),
        "corn_either": int(((corn | said) & valid).sum()),
        "rows": rows,
    }


def merged_stretch(sample: AboveSample) -> float:
    """Working px per px of the picture as it lies on disk."""
    return float(sample.truth.row["mm_per_px"]) / WORKING_MM_PER_PX


def _share(right: int, other: int) -> float:
    return right / max(right + other, 1)


def _f1(right: int, wrong: int, missed: int) -> float:
    return 2 * right / max(2 * right + wrong + missed, 1)


def summary(results: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Scores of several pictures together."""
    total: dict[str, int] = defaultdict(int)
    rows: list[dict[str, float]] = []
    for result in results:
        rows += result["rows"]
        for name, value in result.items():
            if name != "rows":
                total[name] += value
    out: dict[str, Any] = {
        "pictures": len(results),
        "plants": total["right"] + total["missed"],
        "plant_f1": _f1(total["right"], total["wrong"], total["missed"]),
        "plant_precision": _share(total["right"], total["wrong"]),
        "plant_recall": _share(total["right"], total["missed"]),
        "tip_f1": _f1(total["tips_right"], total["tips_wrong"], total["tips_missed"]),
        "doubles_said": total["doubles_said"],
        "doubles_true": total["doubles_true"],
        "canopy_iou": total["corn_both"] / max(total["corn_either"], 1),
    }
    if rows:
        shown = np.array([r["shown"] for r in rows])
        for name in ("counted", "linked", "seen"):
            error = np.array([r[name] for r in rows]) - shown
            out[f"tips_{name}_rmse"] = float(np.sqrt((error**2).mean()))
            out[f"tips_{name}_bias"] = float(error.mean())
    return out


@torch.no_grad()
def validate(
    network: net.AboveNetwork, samples: Sequence[AboveSample], device: torch.device
) -> dict[str, Any]:
    """Scores over all samples, by ground scale and by stage."""
    exported = net.Exported(network).to(device).eval()
    by_scale: dict[str, list[dict[str, Any]]] = defaultdict(list)
    everything = []
    for given in samples:
        sample = at_working_scale(given)
        # Contiguous: channels-last kernels would be compiled anew for each of the many sizes.
        photo = sample.image.permute(2, 0, 1)[None].contiguous().to(device).float() / 255.0
        maps = dict(zip(OUTPUTS, (m[0] for m in exported(photo)), strict=True))
        maps = {name: value.float() for name, value in maps.items()}
        result = _counts(sample, maps)
        everything.append(result)
        scale = given.truth.mm_per_px
        by_scale["<=3 mm" if scale <= 3.0 else "3-5 mm" if scale <= 5 else ">5 mm"].append(result)
    scores: dict[str, Any] = summary(everything)
    scores["by_scale"] = {name: summary(results) for name, results in sorted(by_scale.items())}
    by_stage: dict[int, list[dict[str, float]]] = defaultdict(list)
    for result in by_scale["<=3 mm"] if by_scale.get("<=3 mm") else everything:
        for row in result["rows"]:
            by_stage[round(row["stage"])].append(row)
    scores["by_stage"] = {
        f"V{stage}": {
            "plants": len(rows),
            "tips_counted_rmse": float(
                np.sqrt(np.mean([(r["counted"] - r["shown"]) ** 2 for r in rows]))
            ),
            "tips_linked_rmse": float(
                np.sqrt(np.mean([(r["linked"] - r["shown"]) ** 2 for r in rows]))
            ),
        }
        for stage, rows in sorted(by_stage.items())
    }
    return scores


def format_scores(scores: dict[str, Any]) -> str:
    """A few lines for the log."""
    names = ("plant_f1", "plant_precision", "plant_recall", "tip_f1", "canopy_iou")
    names += ("tips_counted_rmse", "tips_linked_rmse")

    def line(word: str, part: dict[str, Any]) -> str:
        facts = " ".join(f"{name} {part[name]:.3f}" for name in names if name in part)
        return f"  {word} ({part['pictures']} pictures, {part['plants']} plants): {facts}"

    lines = [line("all", scores)]
    lines += [line(word, part) for word, part in scores["by_scale"].items()]
    return "validation\n" + "\n".join(lines)


def read_folder(folder: Path, limit: int | None = None) -> list[AboveSample]:
    """Decode every finished sample under a folder."""
    paths = sorted(folder.rglob("truth.jsonl"))
    rows = [(path.parent, row) for path in paths for row in read_jsonl(path)]
    return [load(parent, row) for parent, row in rows[:limit]]


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Measure the network for photos from above.")
    parser.add_argument("--checkpoint", required=True)
    parser.add_argument("--samples", type=Path, required=True)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--out", type=Path, help="write the scores here as JSON")
    options = parser.parse_args(argv)
    network = net.AboveNetwork()
    load_weights(options.checkpoint, network)
    scores = validate(
        network.eval(), read_folder(options.samples, options.limit), torch.device("cpu")
    )
    print(format_scores(scores))
    if options.out:
        options.out.write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
