"""Both sides: what a second photo of a plant adds, measured, and the numbers that put two together.

    python -m training.plantgen --out work/sides --view finished --both-sides --seed 95901 &
    python -m training.kept --finished work/sides --out kept --jobs 16
    python -m training.bothsides --kept kept/*.pkl

Prints figures of one photo and of two by `collarvision.together`, and what its constants would be
if they were fitted to these plants, or to either half of them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from collarvision import together
from collarvision.answer import Reading
from collarvision.calibration import Calibration, load_calibration
from collarvision.reading import height_in_view, with_plant
from collarvision.together import Together, put_together
from training.accepting import risk_threshold
from training.cases import Case, last_word
from training.kept import load_kept

OTHER = "_other"
"""What the name of a photo of the other side ends with."""

RISK = 0.02
"""Wrong stages among plants that two photos settle; the same as for one photo."""


@dataclass(frozen=True)
class Plant:
    """A plant seen from both sides: its cases, and their records."""

    sides: tuple[Case, Case]
    records: tuple[dict, dict]

    @property
    def stage(self) -> int:
        return self.sides[0].stage


def plants_of(cases: Sequence[Case], calibration: Calibration) -> list[Plant]:
    """Pair the photos of plants whose both photos are usable, and make their records."""
    by_name = {Path(case.name).stem: case for case in cases}
    found = []
    for name, case in by_name.items():
        other = by_name.get(f"{name}{OTHER}")
        if other is not None and case.usable and other.usable:
            sides = (case, other)
            found.append(Plant(sides, (_record(case, calibration), _record(other, calibration))))
    return found


def _record(case: Case, calibration: Calibration) -> dict:
    got = last_word(case, calibration)
    verdict = got.verdict
    reading = Reading(
        photo=case.name,
        outcome=verdict.outcome,
        reasons=verdict.reasons,
        overruling=verdict.overruling,
        quality=tuple(finding.code for finding in got.findings),
    )
    if verdict.outcome == "rejected":
        return reading.record()
    height = None
    if case.scale is not None:
        height = height_in_view(got, case.scale, case.size)
    return with_plant(reading, got, case.scale, height).record()


@dataclass(frozen=True)
class Figures:
    """Shares of plants; heights' relative errors of those that have an arch and a height."""

    plants: int
    exact: float
    accepted: float
    accepted_wrong: int
    log_likelihood: float
    height_median: float
    height_p90: float
    height_held: float

    def line(self) -> str:
        """A row of a Markdown table."""
        return (
            f"| {self.plants} | {self.exact:.3f} | {self.accepted:.3f} | {self.accepted_wrong} | "
            f"{self.log_likelihood:.3f} | {self.height_median:.3f} | {self.height_p90:.3f} | "
            f"{self.height_held:.3f} |"
        )


HEAD = (
    "| photos | plants | exact | accepted | wrong | log likelihood | height: median | p90 | held |"
)


def figures(plants: Sequence[Plant], answers: Sequence[Together]) -> Figures:
    """Figures of one answer a plant; a rejected plant is wrong."""
    right, staged, likelihood = [], [], []
    errors, held = [], []
    for plant, answer in zip(plants, answers, strict=True):
        right.append(answer.outcome != "rejected" and answer.stage == plant.stage)
        staged.append(answer.outcome == "staged")
        p = answer.probabilities[plant.stage] if answer.probabilities else together.FLOOR
        likelihood.append(np.log(max(p, together.FLOOR)))
        arches = [side.truth["height_arch_mm"] for side in plant.sides]
        if answer.height_mm is not None and None not in arches:
            truth = float(np.mean(arches))
            errors.append(abs(answer.height_mm - truth) / truth)
            assert answer.height_interval_mm is not None
            low, high = answer.height_interval_mm
            held.append(low <= truth <= high)
    ok, accepted = np.array(right), np.array(staged)
    median, p90 = np.quantile(errors, [0.5, 0.9]) if errors else (np.nan, np.nan)
    return Figures(
        len(plants),
        float(ok.mean()),
        float(accepted.mean()),
        int((accepted & ~ok).sum()),
        float(np.mean(likelihood)),
        float(median),
        float(p90),
        float(np.mean(held)) if held else float("nan"),
    )


@dataclass(frozen=True)
class Fitted:
    """What `together.ALIKE` and `together.SURE` would be, and where `together.ENOUGH` could lie."""

    alike: float
    sure: tuple[float, float]
    enough: float

    def line(self) -> str:
        """In words."""
        return (
            f"ALIKE {self.alike:.2f}, SURE ({self.sure[0]:.2f}, {self.sure[1]:.2f}), "
            f"ENOUGH {self.enough:.3f} at {RISK:.0%} wrong"
        )


def fitted(plants: Sequence[Plant]) -> Fitted:
    """`ALIKE` by log likelihood, `SURE` by logistic regression, a little drawn to (0, 1), `ENOUGH`
    by the corrected estimate of `training.accepting`."""
    from scipy.optimize import minimize

    told = [plant for plant in plants if all(r["stage"] is not None for r in plant.records)]
    beliefs = [[together.belief_of(record) for record in plant.records] for plant in told]
    stages = np.array([plant.stage for plant in told])

    def pooled_by(alike: float) -> np.ndarray:
        return np.array([together.pool(each, alike) for each in beliefs])

    def likelihood(alike: float) -> float:
        return float(np.log(pooled_by(alike)[np.arange(len(stages)), stages]).mean())

    grid = np.arange(0.0, 1.01, 0.01)
    alike = float(grid[np.argmax([likelihood(one) for one in grid])])
    pooled = pooled_by(alike)
    top = np.clip(pooled.max(1), together.FLOOR, 1.0 - together.FLOOR)
    z, right = np.log(top / (1.0 - top)), pooled.argmax(1) == stages

    def loss(x: np.ndarray) -> float:
        signed = np.where(right, 1.0, -1.0) * (x[0] + x[1] * z)
        return float(np.logaddexp(0.0, -signed).mean() + 1e-3 * (x[0] ** 2 + (x[1] - 1) ** 2))

    intercept, slope = minimize(loss, [0.0, 1.0]).x
    confidence = 1.0 / (1.0 + np.exp(-intercept - slope * z))
    enough, _ = risk_threshold(confidence, ~right, RISK)
    return Fitted(alike, (float(intercept), float(slope)), enough)


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        prog="training.bothsides", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--kept", type=Path, nargs="+", required=True, help="of training.kept")
    options = parser.parse_args(words)
    calibration = load_calibration()
    plants = plants_of(load_kept(options.kept), calibration)
    if len(plants) < 4:
        print("bothsides: too few plants were seen from both sides, usable.", file=sys.stderr)
        return 1
    rows = [
        (
            name,
            figures(plants, [put_together([plant.records[k] for k in which]) for plant in plants]),
        )
        for name, which in (("first", (0,)), ("second", (1,)), ("both", (0, 1)))
    ]
    print(HEAD)
    print("|" + "---|" * HEAD.count(" | ") + "---|")
    for name, row in rows:
        print(f"| {name} {row.line()}")
    print(f"fitted on all: {fitted(plants).line()}")
    for name, half in (("one", plants[::2]), ("the other", plants[1::2])):
        print(f"fitted on {name} half: {fitted(half).line()}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
