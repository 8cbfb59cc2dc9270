"""Crossfit: the model card's figures, each half of the plants read with the other's calibration.

    python -m training.crossfit --kept kept/*.pkl --plot models/risk.svg

A calibration judged on the photos that it was fitted on looks better than it is. Here the photos
are dealt to two halves, plant by plant; each half is read with what the other gave.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from collarvision.answer import Reading
from collarvision.calibration import Calibration
from collarvision.reading import height_in_view, with_plant
from training.calibrate import calibrate
from training.cases import Case, last_word
from training.evaluate import markdown, table
from training.folds import dealt
from training.kept import load_kept
from training.riskplot import risk_plot
from training.scoring import by_kind, compare_all, summary, sure_pairs


def record(case: Case, calibration: Calibration) -> dict[str, Any]:
    """The record that a case leads to with a calibration; nothing of the file itself is in it."""
    got = last_word(case, calibration)
    reading = Reading(photo=case.name, outcome=got.verdict.outcome, reasons=got.verdict.reasons)
    if got.verdict.outcome != "rejected":
        factor = calibration.interval_factor
        height = None
        if case.scale is not None:
            height = height_in_view(got, case.scale, case.size, interval_factor=factor)
        reading = with_plant(reading, got, case.scale, height)
    return reading.record()


def crossfit(
    cases: Sequence[Case], risk: float = 0.02
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Truths and records of all cases, each half read with the calibration of the other.

    Raises
    ------
    ValueError
        All photos, or all usable ones of a half, are of one plant or stop.
    """
    half_of = dealt(cases, 2)
    halves = [[cases[i] for i in np.flatnonzero(half_of == half)] for half in (0, 1)]
    fitted = [calibrate(half, risk)[0] for half in halves]
    truths, records = [], []
    for half, calibration in zip(halves, reversed(fitted), strict=True):
        truths += [case.truth for case in half]
        records += [record(case, calibration) for case in half]
    return truths, records


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        prog="training.crossfit", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--kept", type=Path, nargs="+", required=True)
    parser.add_argument("--risk", type=float, default=0.02, help="wrong stages per accepted one")
    parser.add_argument("--plot", type=Path, help="draw risk against coverage here (SVG)")
    parser.add_argument("--markdown", action="store_true", help="tables as the model card has them")
    options = parser.parse_args(words)
    try:
        compared = compare_all(*crossfit(load_kept(options.kept), options.risk))
    except (OSError, ValueError) as error:
        print(f"crossfit: {error}", file=sys.stderr)
        return 1
    print((markdown if options.markdown else table)(compared))
    for kind, groups in by_kind(compared).items():
        figures = {name: summary(group) for name, group in groups.items()}
        told = [
            f"{name} {one['stage_exact']:.3f} of {len(groups[name])}"
            for name, one in figures.items()
            if one["photos_usable"]
        ]
        if len(told) > 1:
            print(f"{kind}: {', '.join(told)}")
    if options.plot:
        options.plot.write_text(
            risk_plot(sure_pairs(compared), promised=options.risk), encoding="utf-8"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
