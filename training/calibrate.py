"""Fit `models/calibration.json`: leaf probabilities, confidence, thresholds.

    python -m training.calibrate --truth renders/validation/truth.jsonl

Uses photos that the network never trained on, read by the run-time package itself. PyTorch isn't
needed. Each step feeds the next, in this order: P(real leaf) and P(collar out) by kind of leaf;
the error of the network's leaf numbers; P(stage right); the thresholds for a stated risk; the width
of the height's interval.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from collarvision.calibration import Calibration, Three, Two, as_json
from collarvision.confidence import top_logit
from collarvision.ladder import stage_on_ladder
from collarvision.network import ModelError
from collarvision.reading import height_in_view
from collarvision.stage import StageBelief, logit, rung
from training.accepting import (
    Answers,
    calibration_error,
    risk_coverage,
    risk_threshold,
    strictest_needed,
)
from training.cases import Case, beliefs, last_word, leaf_labels, read_cases
from training.folds import dealt
from training.kept import load_kept

FEWEST = 500
"""Usable photos that a calibration takes: of fewer the threshold breaks what it promises
(`training.accepting`)."""

FEWEST_HEIGHTS = 30
"""Heights that the width of an interval can be told from. Our own choice."""

FOLDS = 5
REPEATS = 6
RANK_SIGMAS = (0.3, 0.35, 0.4, 0.5, 0.7, 1.0)
COVERAGE_WANTED = 0.93
"""Of the height's 90 % interval, so that a new set does not fall under 90 % by chance."""

UNUSABLE_ACCEPTED = 0.01
FLOOR_BOUNDS = (0.4, 0.95)
SURE_PRIOR = (0.0, 1.0)
SURE_PRECISION = (0.5, 4.0)
"""The pooled belief is taken as true unless photos speak against it: normal prior of the
confidence's intercept and slope, mean and inverse variance."""

NOT_FITTED = ("whorl",)
"""Kinds of leaf whose P(collar out) isn't fitted. A leaf counts once its collar shows (R.L.
Nielsen, Purdue University, May 2019), so one whose collar isn't seen is worth little, however
much it looks like those that have one: that look is right more often on renders than elsewhere.

For the same reason the three stage opinions have equal weights. Fitted ones lean on the opinion
that learnt the renders best; they gain one photo in a hundred there and lose more elsewhere."""

CLOSER_FROM = 0.1
"""Confidence from which a closer look may still lead to an answer. Our own choice."""


def fit_leaves(cases: Sequence[Case], start: Calibration) -> Calibration:
    """Fit P(real) and P(collar out) by kind of leaf; a rare kind stays near its guess."""
    rows: dict[str, list[tuple[float, ...]]] = {kind: [] for kind in start.real}
    for case in cases:
        if not all(case.truth.get(f"{kind}_known", True) for kind in ("points", "tips")):
            continue  # typed, or collars alone marked: which leaves found are true, nobody said
        for leaf, label in zip(case.plant.leaves, leaf_labels(case.plant, case.truth), strict=True):
            shown = logit(leaf.tip.score) if leaf.tip else 0.0
            cues = (logit(leaf.collar_score), shown, logit(leaf.tip_collared))
            rows[leaf.kind].append((*cues, label.real, label.out))
    real, out = dict(start.real), dict(start.out)
    for kind, found in rows.items():
        if len(found) < 20:
            continue
        collar, shown, said, is_real, is_out = np.array(found, dtype=float).T
        real[kind] = _fit_three(collar, shown, is_real, start.real[kind])
        true = is_real > 0
        if true.sum() >= 20 and kind not in NOT_FITTED:
            out[kind] = _fit_three(collar[true], said[true], is_out[true], start.out[kind])
    return replace(start, real=real, out=out)


def _fit_three(collar: np.ndarray, tip: np.ndarray, y: np.ndarray, guess: Three) -> Three:
    x = np.column_stack([np.ones_like(collar), collar, tip])
    w = fit_logistic(x, y, np.array(guess), np.array([1.0, 8.0, 8.0]))
    return float(w[0]), float(max(w[1], 0.0)), float(max(w[2], 0.0))


def fit_rank_sigma(cases: Sequence[Case], calibration: Calibration) -> float:
    """Error of the leaf numbers, leaves, that makes the true stages likeliest on the ladder.

    Wider than the spread of the numbers themselves: those of one plant err together.
    """
    rungs = [[rung(leaf, calibration) for leaf in case.plant.leaves] for case in cases]

    def likelihood(sigma: float) -> float:
        total = 0.0
        for case, leaves in zip(cases, rungs, strict=True):
            p = stage_on_ladder(leaves[case.plant.anchor :], case.plant.below, sigma)
            total += math.log(p[min(case.stage, len(p) - 1)] + 2e-3)
        return total

    return max(RANK_SIGMAS, key=likelihood)


# --------------------------------------------------------------------------- stage and confidence


def fit_beliefs(cases: Sequence[Case], start: Calibration) -> Calibration:
    """Fit everything that a stage belief is made of; closer looks count as photos of their own."""
    both = _both(cases)
    fitted = fit_leaves(both, start)
    fitted = replace(fitted, rank_sigma=fit_rank_sigma(both, fitted))
    return fit_sureness(cases, fitted)


def _both(cases: Sequence[Case]) -> list[Case]:
    return [*cases, *(case.closer for case in cases if case.closer is not None)]


def fit_sureness(cases: Sequence[Case], fitted: Calibration) -> Calibration:
    """Fit what turns beliefs into confidences, for first readings and for closer ones."""
    stages = [case.stage for case in cases]
    believed = [beliefs(case, fitted) for case in cases]
    sure = fit_sure([first for first, _ in believed], stages)
    if all(case.closer is None for case in cases):
        return replace(fitted, sure=sure, careful_sure=sure, closer_from=1.0)
    again = [i for i, case in enumerate(cases) if case.closer is not None]
    careful = fit_sure([believed[i][1] for i in again], [stages[i] for i in again])
    return replace(fitted, sure=sure, careful_sure=careful)


def fit_sure(believed: Sequence[StageBelief], stages: Sequence[int]) -> Two:
    """Intercept and slope that turn the belief in a stage into P(it is right) (Platt 1999)."""
    x = np.array([[1.0, top_logit(belief)] for belief in believed])
    right = [float(b.stage == stage) for b, stage in zip(believed, stages, strict=True)]
    w = fit_logistic(x, np.array(right), np.array(SURE_PRIOR), np.array(SURE_PRECISION))
    return float(w[0]), float(max(w[1], 0.1))


def answers(cases: Sequence[Case], calibration: Calibration) -> Answers:
    """Answers of a calibration to photos."""

    def told(believed: Sequence[StageBelief], sure: Two) -> tuple[np.ndarray, np.ndarray]:
        z = np.array([sure[0] + sure[1] * top_logit(belief) for belief in believed])
        right = [float(b.stage == case.stage) for b, case in zip(believed, cases, strict=True)]
        return 1 / (1 + np.exp(-z)), np.array(right)

    both = [beliefs(case, calibration) for case in cases]
    return Answers(
        *told([first for first, _ in both], calibration.sure),
        *told([last for _, last in both], calibration.careful_sure),
    )


def out_of_fold(cases: Sequence[Case], fitted: Calibration) -> Answers:
    """Answers to each photo from fits that have not seen it, `REPEATS` times with other folds.

    One division into folds moves a few confident errors up or down, and the threshold with them:
    six of them accepted 0.20 to 0.43 of 912 photos. The error of the leaf numbers, one number,
    stays as it is. All photos of a plant, or of a stop that people counted, are in one fold.
    """
    rng = np.random.default_rng(0)
    columns = np.zeros((4, REPEATS, len(cases)))
    for turn in range(REPEATS):
        fold_of = dealt(cases, FOLDS, rng)
        for fold_number in range(FOLDS):
            held = np.flatnonzero(fold_of == fold_number)
            seen = [cases[i] for i in np.flatnonzero(fold_of != fold_number)]
            fresh = fit_sureness(seen, fit_leaves(_both(seen), fitted))
            got = answers([cases[i] for i in held], fresh)
            columns[:, turn, held] = got.first, got.first_right, got.closer, got.closer_right
    return Answers(*columns.reshape(4, -1), times=REPEATS)


def fit_logistic(
    x: np.ndarray, y: np.ndarray, prior: np.ndarray, precision: np.ndarray
) -> np.ndarray:
    """Logistic regression with a normal prior, by Newton's method.

    Parameters
    ----------
    x : ndarray, (n, k)
    y : ndarray, (n,)
        0 or 1.
    prior, precision : ndarray, (k,)
        Mean and inverse variance of the prior.

    Returns
    -------
    ndarray, (k,)
    """
    w = prior.astype(float).copy()

    def loss(w: np.ndarray) -> float:
        z = x @ w
        return float(np.logaddexp(0, z).sum() - y @ z + 0.5 * precision @ (w - prior) ** 2)

    for _ in range(100):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
        gradient = x.T @ (p - y) + precision * (w - prior)
        curvature = (x * (p * (1 - p))[:, None]).T @ x + np.diag(precision)
        step = np.linalg.solve(curvature, gradient)
        size = 1.0
        while loss(w - size * step) > loss(w) and size > 1e-6:
            size /= 2
        w = w - size * step
        if np.abs(size * step).max() < 1e-8:
            break
    return w


# --------------------------------------------------------------------------- thresholds


def usable_floor(ok: np.ndarray, sure: np.ndarray) -> float:
    """Least P(ok) that lets at most `UNUSABLE_ACCEPTED` of the unusable photos pass.

    Parameters
    ----------
    ok : ndarray, (n,)
        P(ok) of photos that are not usable.
    sure : ndarray, (n,) bool
        Whether everything else would let them pass.
    """
    if not len(ok):
        return Calibration().usable_floor
    bad = np.sort(ok[sure])[::-1]
    passing = math.floor(UNUSABLE_ACCEPTED * len(ok))
    floor = bad[passing] + 1e-3 if passing < len(bad) else 0.0
    return float(np.clip(floor, *FLOOR_BOUNDS))


def interval_factor(cases: Sequence[Case], calibration: Calibration) -> float:
    """Factor on the height's interval that gives it the wanted coverage (split conformal).

    Of the heights that are told in the end, with the rest of the calibration as it is. Bounded:
    where the wrong leaf was measured no honest width covers the truth.
    """
    ratio = []
    for case in cases:
        true = case.truth.get("height_arch_mm")
        if case.scale is None or not true:
            continue
        got = last_word(case, calibration)
        height = height_in_view(got, case.scale, case.size, interval_factor=1.0)
        if height is not None:
            off = true - height.height_mm
            low, high = height.interval_mm
            side = high - height.height_mm if off > 0 else height.height_mm - low
            ratio.append(abs(off) / max(side, 1e-6))
    if len(ratio) < FEWEST_HEIGHTS:
        return 1.0
    rank = min(len(ratio), math.ceil((len(ratio) + 1) * COVERAGE_WANTED))
    return float(np.clip(np.sort(ratio)[rank - 1], 0.6, 2.0))


# --------------------------------------------------------------------------- all of it


def calibrate(cases: Sequence[Case], risk: float = 0.02) -> tuple[Calibration, dict[str, Any]]:
    """Fit everything; gives the calibration and what to say about it.

    Raises
    ------
    ValueError
        All usable photos are of one plant or stop.
    """
    good = [case for case in cases if case.usable]
    start = Calibration(risk=risk, closer_from=CLOSER_FROM)
    fitted = fit_beliefs(good, start)
    honest = out_of_fold(good, fitted)
    levels = honest.levels(fitted.closer_from)
    threshold, met = strictest_needed(*levels, risk)
    fitted = replace(fitted, threshold=threshold, fitted=True)
    fitted = replace(fitted, interval_factor=interval_factor(good, fitted))
    bad = [case for case in cases if not case.usable]
    no_floor = replace(fitted, usable_floor=0.0)
    sure = np.array(
        [last_word(case, no_floor).verdict.outcome == "staged" for case in bad], dtype=bool
    )
    ok = np.array([case.parts.usability["ok"] for case in bad])
    fitted = replace(fitted, usable_floor=usable_floor(ok, sure))
    said, said_right = honest.at(fitted.closer_from)
    accepted = said >= threshold
    alone, _ = risk_threshold(honest.first, honest.first_right == 0, risk, REPEATS)
    about = {
        "photos": len(cases),
        "usable": len(good),
        "model": cases[0].parts.model,
        "stage_exact": round(float(said_right.mean()), 4),
        "threshold_met_risk": met,
        "accepted_share": round(float(accepted.mean()), 4),
        "accepted_exact": round(float(said_right[accepted].mean()), 4) if accepted.any() else None,
        "accepted_share_without_closer_look": round(float((honest.first >= alone).mean()), 4),
        "calibration_error": round(calibration_error(said, said_right), 4),
        "unusable_refused": _refused(cases, fitted),
        "risk_coverage": risk_coverage(levels[1], levels[2]),
    }
    return fitted, about


def _refused(cases: Sequence[Case], calibration: Calibration) -> float | None:
    bad = [case for case in cases if not case.usable]
    if not bad:
        return None
    refused = [last_word(case, calibration).verdict.outcome != "staged" for case in bad]
    return round(float(np.mean(refused)), 4)


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--truth", type=Path, nargs="+", help="truth.jsonl beside its photos")
    source.add_argument("--kept", type=Path, nargs="+", help="what `training.kept` wrote")
    parser.add_argument("--out", type=Path, default=Path("models/calibration.json"))
    parser.add_argument("--risk", type=float, default=0.02, help="wrong stages per accepted one")
    parser.add_argument("--limit", type=int, help="only this many photos of each truth file")
    parser.add_argument("--looks", type=Path, help="folder to keep the network's answers in")
    options = parser.parse_args(words)
    try:
        cases = load_kept(options.kept or ())
        for file in options.truth or ():
            cases += read_cases(file, options.limit, options.looks)
    except (OSError, ValueError, ModelError) as error:
        print(f"calibrate: {error}", file=sys.stderr)
        return 1
    if sum(case.usable for case in cases) < FEWEST:
        print(f"calibrate: {FEWEST} usable photos are the least; render more.", file=sys.stderr)
        return 1
    try:
        fitted, about = calibrate(cases, options.risk)
    except ValueError as error:
        print(f"calibrate: {error}", file=sys.stderr)
        return 1
    if not about["threshold_met_risk"]:
        print(f"calibrate: no threshold keeps wrong stages to {options.risk:.1%}.", file=sys.stderr)
    options.out.write_text(as_json(fitted, about) + "\n", encoding="utf-8")
    for name, value in about.items():
        if name != "risk_coverage":
            print(f"{name:20s} {value}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
