"""Score the whole run-time way on validation scenes that nothing was fitted on.

python -m training.above.evaluate SCENES --model models/above.onnx [--calibration FILE] [--out FILE]
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from collarvision.above.calibration import AboveCalibration, load_above_calibration
from collarvision.above.network import ABOVE_MODEL_VARIABLE, load_above_network
from training.above.calibrate import coverage, tip_errors
from training.above.counting import count_held, counted
from training.above.scoring import (
    GROUPS,
    Scored,
    doubles,
    for_scoring,
    group_of,
    kept,
    known,
    pairs,
    plant_counts,
    read_all,
    scenes,
)


def score(scored: Sequence[Scored], calibration: AboveCalibration) -> dict[str, Any]:
    """Scores of some scenes of like ground sample distance."""
    right, wrong, missed = np.sum([plant_counts(one) for one in scored], axis=0)
    said, true = np.sum([doubles(one) for one in scored], axis=0)
    told = [rows for rows in tip_errors(scored).values() if len(rows[0])]
    tips = np.concatenate([b - a for a, b in told]) if told else np.zeros(0)
    held = coverage(scored, calibration)
    plants = sum(count for _, _, count in held.values())
    covered = sum(share * count for share, _, count in held.values()) / max(plants, 1)
    wide = sum(width * count for _, width, count in held.values()) / max(plants, 1)
    told_each, true_each, _ = np.array([counted(one) for one in scored]).T
    factors = np.array([calibration.count_factor(one.scene.mm_per_px) for one in scored])
    true_all = max(true_each.sum(), 1)
    within = [told for one in scored if (told := count_held(one, calibration)) is not None]
    places = [
        float(np.hypot(one.found.x[i] - one.x[j], one.found.y[i] - one.y[j]) * 3.0)
        for one in scored
        for i, j in pairs(one)
        if one.asked[j] and not one.double[j]
    ]
    return {
        "scenes": len(scored),
        "plants": int(right + missed),
        "plant_f1": round(float(2 * right / max(2 * right + wrong + missed, 1)), 4),
        "precision": round(float(right / max(right + wrong, 1)), 4),
        "recall": round(float(right / max(right + missed, 1)), 4),
        "place_error_mm": round(float(np.median(places)), 2) if places else None,
        "count_off": round(float(factors @ told_each / true_all - 1), 4),
        "count_off_unreckoned": round(float(told_each.sum() / true_all - 1), 4),
        "counts_held": round(float(np.mean(within)), 4) if within else None,
        "doubles_said": round(float(said), 1),
        "doubles_true": round(float(true), 1),
        "tips_rmse": round(float(np.sqrt((tips**2).mean())), 4) if len(tips) else None,
        "tips_bias": round(float(tips.mean()), 4) if len(tips) else None,
        "staged_plants": plants,
        "covered": round(covered, 4),
        "stages_in_range": round(wide, 3),
    }


def evaluate(scored: Sequence[Scored], calibration: AboveCalibration) -> dict[str, Any]:
    """Scores by ground sample distance and by stage; corn of V2 to V6 on average."""
    kept = [one.at(calibration.plant_floor, calibration.twins_mm) for one in scored]
    corn = [one for one in kept if one.scene.truth["kind"] == "corn"]
    grown = [one for one in corn if 1.5 <= one.scene.truth["mean_stage"] <= 6.5]
    out: dict[str, Any] = {"scenes": len(kept), "by_mm_per_px": {}, "by_stage": {}, "other": {}}
    for k, (low, high) in enumerate(GROUPS):
        own = [one for one in grown if group_of(one.scene.mm_per_px) == k]
        if own:
            out["by_mm_per_px"][f"{low:g}-{high:g}"] = score(own, calibration)
    fine = [one for one in corn if group_of(one.scene.mm_per_px) == 0]
    for stage in range(11):
        own = [one for one in fine if round(one.scene.truth["mean_stage"]) == stage]
        if own:
            out["by_stage"][f"V{stage}" if stage else "VE"] = score(own, calibration)
    for kind in ("bare", "other_crop"):
        own = [one for one in kept if one.scene.truth["kind"] == kind]
        if own:
            found = sum(int(one.inner.sum()) for one in own)
            out["other"][kind] = {"scenes": len(own), "plants_invented": found}
    return out


def table(scores: dict[str, Any]) -> str:
    """Scores as lines of text."""
    names = ("scenes", "plants", "plant_f1", "recall", "precision", "doubles_said", "doubles_true")
    names += ("count_off", "counts_held", "tips_rmse", "tips_bias", "covered", "stages_in_range")
    lines = [" ".join([f"{'mm a px':>12}", *(f"{name:>15}" for name in names)])]
    for part in ("by_mm_per_px", "by_stage"):
        for word, row in scores[part].items():
            lines.append(" ".join([f"{word:>12}", *(f"{row[name]!s:>15}" for name in names)]))
    lines += [f"{kind}: {row}" for kind, row in scores["other"].items()]
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Score photos from above on validation scenes.")
    parser.add_argument("scenes", type=Path, nargs="+", help="folders, or one kept file")
    parser.add_argument("--model", type=Path)
    parser.add_argument("--calibration", type=Path)
    parser.add_argument("--out", type=Path, help="write the scores here as JSON")
    options = parser.parse_args(argv)
    if options.model:
        os.environ[ABOVE_MODEL_VARIABLE] = str(options.model)
    calibration = load_above_calibration(options.calibration)
    if options.scenes[0].is_file():
        scored = [known(one, calibration) for one in for_scoring(kept(options.scenes[0]))]
    else:
        every = for_scoring(scenes(*options.scenes))
        scored = list(read_all(every, load_above_network(), calibration, calibration.plant_floor))
    scores = evaluate(scored, calibration)
    print(table(scores))
    if options.out:
        options.out.write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
