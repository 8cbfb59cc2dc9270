"""Fit `models/calibration.json`: leaf probabilities, stage pool, confidence, thresholds.

    python -m training.calibrate --truth renders/validation/truth.jsonl

Uses photos that the network never trained on, read by the run-time package itself. PyTorch isn't
needed. Each step feeds the next, in this order: P(real leaf) and P(collar out) by kind of leaf;
the error of the network's leaf numbers; the weights of the three stage opinions; P(stage right);
the thresholds for a stated risk; the width of the height's interval.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from collarvision.calibration import Calibration, Three, as_json
from collarvision.card import Scale, find_card
from collarvision.confidence import FEATURES, features, judge
from collarvision.height import measure
from collarvision.ladder import stage_on_ladder
from collarvision.network import ModelError
from collarvision.parts import Parts, Point, read_parts
from collarvision.photo import PhotoError, load_photo
from collarvision.plant import Leaf, Plant, assemble
from collarvision.stage import believe, logit, pool, rung
from training.scoring import TOLERANCE, plant_height_px

if TYPE_CHECKING:
    from collarvision.quality import Finding

FOLDS = 5
RANK_SIGMAS = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0)
COVERAGE_WANTED = 0.93
"""Of the height's 90 % interval, so that a new set does not fall under 90 % by chance."""

UNUSABLE_ACCEPTED = 0.01
FLOOR_BOUNDS = (0.4, 0.95)
RIDGE = 4.0
"""Weight of the prior in the confidence's regression, in photos per squared sd of a feature."""


@dataclass(frozen=True)
class Case:
    """One photo as read, with its truth."""

    name: str
    parts: Parts
    plant: Plant
    findings: tuple[Finding, ...]
    scale: Scale | None
    truth: dict[str, Any]

    @property
    def usable(self) -> bool:
        return bool(self.truth["usable"])

    @property
    def stage(self) -> int:
        return int(self.truth["stage_v"])


def read_cases(truth_file: Path, limit: int | None = None) -> list[Case]:
    """Read every whole photo of a truth file with the run-time package."""
    from collarvision.quality import check

    rows = [json.loads(line) for line in truth_file.read_text().splitlines() if line.strip()]
    rows = [row for row in rows if row.get("view", "photo") == "photo"][:limit]
    cases = []
    for number, row in enumerate(rows):
        try:
            photo = load_photo(truth_file.parent / row["file"])
        except PhotoError as error:
            print(f"left out {row['file']}: {error}", file=sys.stderr)
            continue
        scale = find_card(photo)
        parts = read_parts(photo)
        findings = tuple(check(photo, parts, scale))
        cases.append(Case(row["file"], parts, assemble(parts, scale), findings, scale, row))
        if number % 100 == 99:
            print(f"read {number + 1} of {len(rows)} photos", file=sys.stderr)
    return cases


# --------------------------------------------------------------------------- leaves


@dataclass(frozen=True)
class Label:
    """What a leaf found truly is: a leaf that no other one found is, its collar out, its number."""

    real: bool
    out: bool
    rank: int | None


def leaf_labels(plant: Plant, truth: dict[str, Any]) -> list[Label]:
    """Label every leaf found, by its collar where it has one, else by its tip.

    Every truth is given away once, so that the second finding of a leaf is labelled as none.
    """
    reach = TOLERANCE * plant_height_px(truth)
    ranks_out = {int(t["rank"]) for t in truth["tips"] if t["has_collar"]}
    collars = [(c["x"], c["y"], int(c["rank"])) for c in truth["collars_visible_in_image"]]
    ranks_out |= {rank for _, _, rank in collars}
    tips = [(t["x"], t["y"], int(t["rank"])) for t in truth["tips"]]
    given: set[int] = set()
    labels: dict[int, Label] = {}
    for i in sorted(range(len(plant.leaves)), key=lambda i: -_certainty(plant.leaves[i])):
        leaf = plant.leaves[i]
        rank = None
        if leaf.collar is not None:
            rank = _nearest(collars, leaf.collar, reach, given)
        elif leaf.tip is not None:
            rank = _nearest(tips, leaf.tip, reach, given)
        if rank is not None:
            given.add(rank)
        labels[i] = Label(rank is not None, rank in ranks_out, rank)
    return [labels[i] for i in range(len(plant.leaves))]


def _certainty(leaf: Leaf) -> float:
    return leaf.collar_score * (leaf.collar is not None) + (leaf.kind == "paired")


def _nearest(
    places: Sequence[tuple[float, float, int]], point: Point, reach: float, given: set[int]
) -> int | None:
    """Rank of the nearest place within reach whose rank isn't given away yet."""
    near = [
        (distance, rank)
        for x, y, rank in places
        if rank not in given and (distance := math.hypot(x - point.x, y - point.y)) <= reach
    ]
    return min(near)[1] if near else None


def fit_leaves(cases: Sequence[Case], start: Calibration) -> Calibration:
    """Fit P(real) and P(collar out) by kind of leaf; a rare kind stays near its guess."""
    rows: dict[str, list[tuple[float, ...]]] = {kind: [] for kind in start.real}
    for case in cases:
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
        if true.sum() >= 20:
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


def fit_pool(cases: Sequence[Case], calibration: Calibration) -> dict[str, float]:
    """Weights of the stage opinions that make the true stages most likely."""
    from scipy.optimize import minimize

    opinions = []
    for case in cases:
        belief = believe(case.plant, case.parts, calibration)
        opinions.append((belief.ladder, belief.count, belief.second_opinion))
    stages = [min(case.stage, 12) for case in cases]
    names = ("ladder", "count", "second")

    def loss(log_weights: np.ndarray) -> float:
        weights = dict(zip(names, np.exp(log_weights), strict=True))
        total = 0.0
        for three, stage in zip(opinions, stages, strict=True):
            total -= math.log(pool(dict(zip(names, three, strict=True)), weights)[stage] + 1e-4)
        # A weak pull towards the start keeps a small set from switching an opinion off.
        return total + 2.0 * float(((log_weights - start) ** 2).sum())

    start = np.log([Calibration().pool[name] for name in names])
    found = minimize(loss, start, method="Nelder-Mead", options={"xatol": 0.02, "fatol": 0.05})
    return {name: float(w) for name, w in zip(names, np.exp(found.x), strict=True)}


def feature_table(cases: Sequence[Case], calibration: Calibration) -> tuple[np.ndarray, np.ndarray]:
    """Features (n, k) and whether the stage was exactly right (n,)."""
    rows, right = [], []
    for case in cases:
        belief = believe(case.plant, case.parts, calibration)
        values = features(case.parts, case.plant, belief, case.findings)
        rows.append([values[name] for name in FEATURES])
        right.append(belief.stage == case.stage)
    return np.array(rows), np.array(right, dtype=float)


def fit_confidence(x: np.ndarray, right: np.ndarray) -> tuple[float, np.ndarray]:
    """Intercept and weights of P(right); ridge on standardised features."""
    mean, sd = x.mean(axis=0), x.std(axis=0)
    sd = np.where(sd > 1e-6, sd, 1.0)
    z = np.column_stack([np.ones(len(x)), (x - mean) / sd])
    w = fit_logistic(z, right, np.zeros(z.shape[1]), np.array([0.01] + [RIDGE] * x.shape[1]))
    weights = w[1:] / sd
    return float(w[0] - weights @ mean), weights


def out_of_fold(x: np.ndarray, right: np.ndarray, seed: int = 0) -> np.ndarray:
    """Confidence (n,) of each photo from a fit that has not seen it."""
    fold_of = np.random.default_rng(seed).permutation(len(x)) % FOLDS
    confidence = np.zeros(len(x))
    for fold_number in range(FOLDS):
        held = fold_of == fold_number
        intercept, weights = fit_confidence(x[~held], right[~held])
        confidence[held] = 1 / (1 + np.exp(-(intercept + x[held] @ weights)))
    return confidence


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


def risk_threshold(confidence: np.ndarray, wrong: np.ndarray, risk: float) -> tuple[float, bool]:
    """Least confidence at which at most `risk` of the accepted readings are wrong.

    Conformal risk control (A. Angelopoulos, S. Bates, A. Fisch, L. Lei and T. Schuster 2022,
    "Conformal risk control", arXiv 2208.02814): with a loss of at most 1, the next case's expected
    loss is at most (sum of losses + 1) / (n + 1). It is applied among the accepted, where a wrong
    stage costs 1. That risk need not fall as the threshold rises, so the bound must hold at the
    threshold and at every stricter one that still accepts 1 / risk photos.

    Returns
    -------
    threshold : float
    met : bool
        False when no threshold meets the risk. The strictest is then given, and at least the one
        from which a confidence itself promises the risk.
    """
    order = np.argsort(-confidence, kind="stable")
    ranked, losses = confidence[order], wrong[order].astype(float).cumsum()
    accepted = np.arange(1, len(order) + 1)
    bound = (losses + 1) / (accepted + 1)
    first = math.ceil(1 / risk)
    # Readings of one confidence are accepted together: only the last of them can be a threshold.
    last_of_its_value = np.append(ranked[1:] < ranked[:-1], True)
    best: float | None = None
    for k in range(first - 1, len(order)):
        if bound[k] > risk:
            if accepted[k] >= 3 * first:
                break
            continue
        if last_of_its_value[k]:
            best = float(ranked[k])
    if best is None:
        return float(max(1.0 - risk, ranked[min(first, len(ranked)) - 1])), False
    return best, True


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


def interval_factor(cases: Sequence[Case]) -> float:
    """Factor on the height's interval that gives it the wanted coverage (split conformal).

    Bounded: where the wrong leaf was measured no honest width covers the truth.
    """
    ratio = []
    for case in cases:
        true = case.truth.get("height_arch_mm")
        if case.scale is None or not true:
            continue
        height = measure(case.parts, case.plant, case.scale, interval_factor=1.0)
        if height is not None:
            off = true - height.height_mm
            low, high = height.interval_mm
            side = high - height.height_mm if off > 0 else height.height_mm - low
            ratio.append(abs(off) / max(side, 1e-6))
    if len(ratio) < 30:
        return 1.0
    rank = min(len(ratio), math.ceil((len(ratio) + 1) * COVERAGE_WANTED))
    return float(np.clip(np.sort(ratio)[rank - 1], 0.6, 1.6))


def calibration_error(confidence: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Expected calibration error over bins of equal width (Naeini et al. 2015)."""
    at = np.minimum((confidence * bins).astype(int), bins - 1)
    gaps = [
        abs(right[at == b].mean() - confidence[at == b].mean()) * (at == b).mean()
        for b in range(bins)
        if (at == b).any()
    ]
    return float(sum(gaps))


def risk_coverage(confidence: np.ndarray, right: np.ndarray) -> list[tuple[float, float]]:
    """Points (share accepted, share of them wrong), strictest first."""
    order = np.argsort(-confidence, kind="stable")
    wrong = (1 - right[order]).cumsum()
    counts = np.unique(np.linspace(1, len(order), 41).round().astype(int))
    return [(round(n / len(order), 3), round(float(wrong[n - 1] / n), 4)) for n in counts]


# --------------------------------------------------------------------------- all of it


def calibrate(cases: Sequence[Case], risk: float = 0.02) -> tuple[Calibration, dict[str, Any]]:
    """Fit everything; gives the calibration and what to say about it."""
    good = [case for case in cases if case.usable]
    fitted = Calibration(risk=risk)
    fitted = fit_leaves(good, fitted)
    fitted = replace(fitted, rank_sigma=fit_rank_sigma(good, fitted))
    fitted = replace(fitted, pool=fit_pool(good, fitted))
    x, right = feature_table(good, fitted)
    intercept, weights = fit_confidence(x, right)
    confidence = out_of_fold(x, right)
    threshold, met = risk_threshold(confidence, right == 0, risk)
    fitted = replace(
        fitted,
        intercept=intercept,
        weights=dict(zip(FEATURES, map(float, weights), strict=True)),
        threshold=threshold,
        interval_factor=interval_factor(good),
        fitted=True,
    )
    bad = [case for case in cases if not case.usable]
    no_floor = replace(fitted, usable_floor=0.0)
    sure = np.array([_outcome(case, no_floor) == "staged" for case in bad], dtype=bool)
    ok = np.array([case.parts.usability["ok"] for case in bad])
    fitted = replace(fitted, usable_floor=usable_floor(ok, sure))
    accepted = confidence >= threshold
    about = {
        "photos": len(cases),
        "usable": len(good),
        "model": cases[0].parts.model,
        "stage_exact": round(float(right.mean()), 4),
        "threshold_met_risk": met,
        "accepted_share": round(float(accepted.mean()), 4),
        "accepted_exact": round(float(right[accepted].mean()), 4) if accepted.any() else None,
        "calibration_error": round(calibration_error(confidence, right), 4),
        "unusable_refused": _refused(cases, fitted),
        "risk_coverage": risk_coverage(confidence, right),
    }
    return fitted, about


def _refused(cases: Sequence[Case], calibration: Calibration) -> float | None:
    bad = [case for case in cases if not case.usable]
    if not bad:
        return None
    refused = [_outcome(case, calibration) != "staged" for case in bad]
    return round(float(np.mean(refused)), 4)


def _outcome(case: Case, calibration: Calibration) -> str:
    belief = believe(case.plant, case.parts, calibration)
    return judge(case.parts, case.plant, belief, case.findings, calibration).outcome


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--truth", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, default=Path("models/calibration.json"))
    parser.add_argument("--risk", type=float, default=0.02, help="wrong stages per accepted one")
    parser.add_argument("--limit", type=int, help="only this many photos of each truth file")
    options = parser.parse_args(words)
    try:
        cases = [case for file in options.truth for case in read_cases(file, options.limit)]
    except (OSError, ModelError) as error:
        print(f"calibrate: {error}", file=sys.stderr)
        return 1
    if sum(case.usable for case in cases) < 100:
        print("calibrate: at least 100 usable photos are needed; render more.", file=sys.stderr)
        return 1
    fitted, about = calibrate(cases, options.risk)
    options.out.write_text(as_json(fitted, about) + "\n", encoding="utf-8")
    for name, value in about.items():
        if name != "risk_coverage":
            print(f"{name:20s} {value}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
