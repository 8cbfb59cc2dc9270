"""Fit ``above_calibration.json``: floors, the tip count's error, and ranges that cover.

python -m training.above.calibrate SCENES... --model above.onnx --out above_calibration.json

Every second scene is fitted on, and the others are left for `training.above.evaluate`. Reading is
done where the pictures are; ``--keep FILE`` writes what was found in all of them, which takes the
place of ``SCENES`` here and there afterwards.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from collarvision.above.calibration import (
    MIDDLE_TIPS,
    OLDER_STAGE,
    YOUNG_STAGE,
    AboveCalibration,
    mean_stage,
)
from collarvision.above.network import ABOVE_MODEL_VARIABLE, WORKING_MM, load_above_network
from collarvision.above.stages import stage_probabilities
from collarvision.above.values import stage_range
from training.above.counting import fit_counts
from training.above.scoring import (
    GROUPS,
    LOW_FLOOR,
    Scored,
    doubles,
    for_calibration,
    group_of,
    keep,
    kept,
    pairs,
    plant_counts,
    read_all,
    scenes,
)

WANTED = 0.9
"""Share of the plants of `FITTED_STAGES` that ranges of 90 in 100 shall hold on these scenes."""

MERGED_MM = 45.0
"""Two plants nearer than about this show one centre."""

DOUBLES_STEP = 0.05
"""Shares of doubles that differ by less are as good as each other."""

FEWEST = 30
"""Matched plants from which a ground sample distance gets a line of its own."""


def best_peaks(scored: Sequence[Scored]) -> tuple[float, float]:
    """Floor and least distance of plant peaks with the best F1 up to 3 mm a pixel.

    Of settings that are as good within 0.004 the highest floor, since plants that aren't there
    mislead more than missed ones; then the distance whose doubles come nearest to the true number,
    by steps of `DOUBLES_STEP`; then the least one, so that doubles stay two.
    """
    fine = [one for one in scored if group_of(one.scene.mm_per_px) == 0] or list(scored)
    worth = []
    for floor in np.arange(LOW_FLOOR, 0.81, 0.05):
        for twins_mm in (24.0, 30.0, 36.0, 42.0, 48.0, 54.0):
            kept = [one.at(float(floor), twins_mm) for one in fine]
            right, wrong, missed = np.sum([plant_counts(one) for one in kept], axis=0)
            share = 2 * right / max(2 * right + wrong + missed, 1)
            worth.append((share, float(round(floor, 2)), -_doubles_off(kept), -twins_mm))
    best = max(worth)[0]
    floor, _, twins = max(one[1:] for one in worth if one[0] >= best - 0.004)
    return floor, -twins


def _doubles_off(scored: Sequence[Scored]) -> int:
    """How far doubles are off their true number, in steps, were each centre's word right."""
    told = true = 0.0
    for one in scored:
        pairs_alone = replace(one.found, double=np.zeros(len(one.found)))
        said, held = doubles(replace(one, found=pairs_alone))
        told += said + sum(second for _, second in _seconds(one))
        true += held
    return round(abs(told - true) / max(true, 1.0) / DOUBLES_STEP)


def tip_errors(scored: Sequence[Scored]) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """True tips and estimates of whole single plants, by group of ground sample distance."""
    found: dict[int, tuple[list[float], list[float]]] = {k: ([], []) for k in range(len(GROUPS))}
    for one in scored:
        true, told = found[group_of(one.scene.mm_per_px)]
        for i, j in pairs(one):
            if one.asked[j] and one.whole[j] and not one.double[j]:
                true.append(float(one.tips[j]))
                told.append(float(one.found.tip_count[i]))
    return {k: (np.array(a), np.array(b)) for k, (a, b) in found.items()}


def error_lines(
    errors: dict[int, tuple[np.ndarray, np.ndarray]], scored: Sequence[Scored]
) -> dict[str, tuple[float, ...]]:
    """Bias and spread by true tips, at each ground sample distance that has plants enough."""
    names = ("mm_per_px", "bias", "bias_slope", "spread", "spread_slope", "shared")
    lines: dict[str, list[float]] = {name: [] for name in names}
    for k, (true, told) in sorted(errors.items()):
        if len(true) < FEWEST:
            continue
        sizes = [s.scene.mm_per_px for s in scored if group_of(s.scene.mm_per_px) == k]
        past, off = true - MIDDLE_TIPS, told - true
        slope, middle = np.polyfit(past, off, 1) if np.ptp(past) > 1 else (0.0, off.mean())
        rest = np.abs(off - middle - slope * past)
        # The mean size of a normal error is sqrt(2 / pi) of its standard deviation.
        wide = np.polyfit(past, rest, 1) if np.ptp(past) > 1 else (0.0, rest.mean())
        lines["mm_per_px"].append(float(np.mean(sizes)))
        lines["bias"].append(float(middle))
        lines["bias_slope"].append(float(slope))
        own = [s for s in scored if group_of(s.scene.mm_per_px) == k]
        shared = shared_error([_rest(one, float(middle), float(slope)) for one in own])
        # What a photo's plants share is no error of each beside the others.
        alone = np.sqrt(max(1.0 - shared**2 / max(float((rest**2).mean()), 1e-9), 0.2))
        lines["spread"].append(float(wide[1] * alone * np.sqrt(np.pi / 2)))
        lines["spread_slope"].append(float(wide[0] * alone * np.sqrt(np.pi / 2)))
        lines["shared"].append(shared)
    for name in ("spread", "shared"):
        # Larger pixels never tell more, though few photos of a scale may look so.
        lines[name] = np.maximum.accumulate(lines[name]).tolist()
    return {name: tuple(round(v, 4) for v in values) for name, values in lines.items()}


def _rest(one: Scored, middle: float, slope: float) -> np.ndarray:
    """Errors of one scene's tip counts beside the line."""
    told = [
        (float(one.tips[j]), float(one.found.tip_count[i]))
        for i, j in pairs(one)
        if one.asked[j] and one.whole[j] and not one.double[j]
    ]
    true, said = np.array(told).reshape(-1, 2).T
    found: np.ndarray = said - true - middle - slope * (true - MIDDLE_TIPS)
    return found


def shared_error(rests: Sequence[np.ndarray]) -> float:
    """Standard error that plants of one photo share, by one-way analysis of variance."""
    many = [rest for rest in rests if len(rest) >= 2]
    if len(many) < 3:
        return AboveCalibration().shared[0]
    counts = np.array([len(rest) for rest in many], float)
    within = sum(((rest - rest.mean()) ** 2).sum() for rest in many) / (counts - 1).sum()
    total = counts.sum()
    grand = np.concatenate(many).mean()
    between = sum(n * (rest.mean() - grand) ** 2 for n, rest in zip(counts, many, strict=True))
    usual = (total - (counts**2).sum() / total) / (len(many) - 1)
    excess = between / (len(many) - 1) - within
    return float(np.sqrt(max(excess / usual, 0.0)))


REPORTED_STAGES = (2, 6)
"""Least and largest stage of the plants that coverage is reported of."""

FITTED_STAGES = (1, 7)
"""One more on either side, so that ranges don't give way at the ends."""

StagedPlants = list[tuple[np.ndarray, int]]
"""Probabilities of its stages, (13,), and true stage of each plant."""


def staged_plants(
    scored: Sequence[Scored], calibration: AboveCalibration, stages: tuple[int, int]
) -> dict[int, StagedPlants]:
    """Whole single plants of some stages that were found, by group of ground sample distance."""
    found: dict[int, StagedPlants] = {k: [] for k in range(len(GROUPS))}
    for one in scored:
        if not len(one.found):
            continue
        p = stage_probabilities(one.found.tip_count, one.scene.mm_per_px, calibration)
        found[group_of(one.scene.mm_per_px)] += [
            (p[i], int(one.stage[j]))
            for i, j in pairs(one)
            if one.asked[j]
            and one.whole[j]
            and not one.double[j]
            and stages[0] <= one.stage[j] <= stages[1]
        ]
    return found


def coverage(
    scored: Sequence[Scored], calibration: AboveCalibration
) -> dict[int, tuple[float, float, int]]:
    """Share of true stages in their ranges, mean number of stages in a range, and plants."""
    by_group = staged_plants(scored, calibration, REPORTED_STAGES)
    return {k: (*_held(rows, calibration), len(rows)) for k, rows in by_group.items() if rows}


def _held(plants: StagedPlants, calibration: AboveCalibration) -> tuple[float, float]:
    """Share of plants whose range holds their stage, and mean number of stages in a range."""
    ranges = [stage_range(p, calibration.range_level(p)) for p, _ in plants]
    held = [low <= stage <= high for (low, high), (_, stage) in zip(ranges, plants, strict=True)]
    return float(np.mean(held)), float(np.mean([high - low + 1 for low, high in ranges]))


INFLATIONS = (0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0)
LEVELS = tuple(float(level) for level in np.arange(0.66, 0.921, 0.02).round(2))


def fit_ranges(scored: Sequence[Scored], calibration: AboveCalibration) -> AboveCalibration:
    """Choose inflation, together and levels: the narrowest ranges that hold `WANTED` of plants.

    Only levels and inflations near what they mean by themselves are tried: far off, they make up
    for each other on these scenes and on no others. First for the finest ground sample distance
    that has plants enough; then each coarser one gets the least inflation with which it holds as
    many, by the same levels.
    """
    groups = [k for k in range(len(GROUPS)) if _plants_in(scored, k) >= FEWEST]
    if not groups:
        return calibration
    knots = len(calibration.mm_per_px)
    best, narrowest = calibration, np.inf
    own = [one for one in scored if group_of(one.scene.mm_per_px) == groups[0]]
    for together in (4.0, 8.0, 16.0):
        for inflation in INFLATIONS:
            tried = replace(calibration, together=together, inflation=(inflation,) * knots)
            plants = staged_plants(own, tried, FITTED_STAGES)[groups[0]]
            if not plants:
                continue
            tried = fit_levels(plants, tried)
            share, wide = _held(plants, tried)
            if share >= WANTED and wide < narrowest:
                best, narrowest = tried, wide
    for place, k in enumerate(groups[:knots]):
        if place == 0:
            continue
        own = [one for one in scored if group_of(one.scene.mm_per_px) == k]
        # More than the finer one's: coarser photos promise less, however well they did here.
        finer = min(best.inflation[place - 1], INFLATIONS[-2])
        for inflation in (f for f in INFLATIONS if f > finer):
            factors = list(best.inflation)
            factors[place:] = [inflation] * (knots - place)
            tried = replace(best, inflation=tuple(factors))
            if coverage(own, tried)[k][0] >= WANTED or inflation == INFLATIONS[-1]:
                best = tried
                break
    return best


def fit_levels(plants: StagedPlants, calibration: AboveCalibration) -> AboveCalibration:
    """The least levels by which ranges of young plants and of older ones each hold `WANTED`.

    Where there are too few of one kind, both get the level of all.
    """
    middle = (YOUNG_STAGE + OLDER_STAGE) / 2
    kinds = [
        [one for one in plants if (mean_stage(one[0]) < middle) == young] for young in (True, False)
    ]
    if min(map(len, kinds)) < FEWEST:
        kinds = [plants, plants]
    levels = []
    for some in kinds:
        holds = (
            level
            for level in LEVELS
            if _held(some, replace(calibration, range_levels=(level, level)))[0] >= WANTED
        )
        levels.append(next(holds, LEVELS[-1]))
    return replace(calibration, range_levels=(levels[0], levels[1]))


def _plants_in(scored: Sequence[Scored], group: int) -> int:
    own = [one for one in scored if group_of(one.scene.mm_per_px) == group]
    return len(tip_errors(own)[group][0])


def _seconds(one: Scored) -> list[tuple[int, bool]]:
    """Matched centres off the edge, and whether each shows a second plant that no other has."""
    if not len(one.found) or not len(one.x):
        return []
    match = pairs(one)
    taken = {j for _, j in match}
    free = np.array([j not in taken for j in range(len(one.x))], bool)
    reach = MERGED_MM / WORKING_MM
    return [
        (
            i,
            bool(
                (free & (np.hypot(one.x - one.found.x[i], one.y - one.found.y[i]) <= reach)).any()
            ),
        )
        for i, _ in match
        if one.inner[i]
    ]


def double_line(scored: Sequence[Scored]) -> tuple[float, float]:
    """Slope and offset on the log odds that make the network's word on doubles a probability.

    A centre is two plants when a second true one stands within `MERGED_MM` that no other centre is
    matched to. Fitted as a logistic regression, drawn a little to (1, 0).
    """
    said, true = [], []
    for one in scored:
        for i, second in _seconds(one):
            said.append(float(one.found.double[i]))
            true.append(second)
    if sum(true) < 5:
        return 1.0, 0.0
    sure = np.clip(np.array(said), 1e-4, 1 - 1e-4)
    design = np.column_stack([np.log(sure / (1 - sure)), np.ones(len(sure))])
    line = np.array([1.0, 0.0])
    weak = np.diag([2.0, 0.02])
    for _ in range(30):
        p = 1 / (1 + np.exp(-design @ line))
        slope = design.T @ (np.array(true) - p) - weak @ (line - [1.0, 0.0])
        bend = (design * (p * (1 - p))[:, None]).T @ design + weak
        line = line + np.linalg.solve(bend, slope)
    return float(round(line[0], 4)), float(round(line[1], 4))


def calibrate(scored: Sequence[Scored], start: AboveCalibration) -> AboveCalibration:
    """Fit everything on scenes that were read with a low floor."""
    floor, twins_mm = best_peaks(scored)
    kept = [one.at(floor, twins_mm) for one in scored]
    slope, offset = double_line(kept)
    fitted = replace(
        start,
        plant_floor=floor,
        twins_mm=twins_mm,
        double_slope=slope,
        double_offset=offset,
    )
    for one in kept:
        one.found.double[:] = fitted.double_probability(one.found.double)
    lines = error_lines(tip_errors(kept), kept)
    if lines["mm_per_px"]:
        fitted = replace(fitted, **lines)
    return fit_ranges(kept, fit_counts(kept, fitted))


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Calibrate the network for photos from above.")
    parser.add_argument("scenes", type=Path, nargs="+", help="folders, or one kept file")
    parser.add_argument("--model", type=Path)
    parser.add_argument("--keep", type=Path, help="write here what was found in every scene")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--version", type=int, default=1)
    options = parser.parse_args(argv)
    if options.model:
        os.environ[ABOVE_MODEL_VARIABLE] = str(options.model)
    start = AboveCalibration(version=options.version)
    if options.scenes[0].is_file():
        scored = for_calibration(kept(options.scenes[0]))
    else:
        chosen = scenes(*options.scenes)
        if not options.keep:
            chosen = for_calibration(chosen)
        scored = list(read_all(chosen, load_above_network(), start, LOW_FLOOR))
        if options.keep:
            keep(options.keep, scored)
            scored = for_calibration(scored)
    fitted = calibrate(scored, start)
    told = coverage([one.at(fitted.plant_floor, fitted.twins_mm) for one in scored], fitted)
    measured = {
        f"{GROUPS[k][0]:g}-{GROUPS[k][1]:g} mm": {
            "covered": round(share, 4),
            "stages_in_range": round(wide, 3),
            "plants": count,
        }
        for k, (share, wide, count) in told.items()
    }
    content = fitted.record() | {"scenes": len(scored), "on_calibration_scenes": measured}
    options.out.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(content, indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
