"""Write `models/known.json`: how sure the network is of collars and tips on photos it reads well.

    python -m training.known --truth work/finished/part-95200/truth.jsonl
    python -m training.known --kept kept/*.pkl

The photos are usable ones that the network never trained on. `collarvision.drift` compares recent
photos with these. To be run again with every new network.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from collarvision.calibration import load_calibration
from collarvision.drift import FIGURES, KNOWN_FILE, SHARE, figures
from collarvision.network import models_folder
from training.crossfit import record
from training.evaluate import read_all
from training.kept import load_kept
from training.scoring import read_jsonl

FEWEST = 50
"""Photos that a tenth can be told from. Our own choice."""


def known_from(records: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Give the file's content from records of one network.

    Raises
    ------
    ValueError
        Several networks, or too few photos: in all, or with a collar or a tip in them.
    """
    # What was taken from above was read by another network, or by none.
    read = [r for r in records if r["outcome"] != "rejected" and r.get("view") != "above"]
    models = {record["model"] for record in read}
    if len(models) != 1 or len(read) < FEWEST:
        raise ValueError(
            f"{len(read)} photos read by {len(models)} networks: give {FEWEST} or more of one."
        )
    found = [figures(record) for record in read]
    low = {}
    for name in FIGURES:
        scores = [one[name] for one in found if name in one]
        if len(scores) < FEWEST:
            raise ValueError(f"{len(scores)} photos with {name}: give {FEWEST} or more.")
        low[name] = round(float(np.quantile(scores, SHARE)), 4)
    return {"model": models.pop(), "photos": len(read), "low": low}


def _read(options: argparse.Namespace) -> list[dict[str, Any]]:
    """Records of the usable photos of truth files."""
    paths = []
    for truth in options.truth:
        if not truth.is_file():
            sys.exit(f"No truth file at {truth}. Give the truth.jsonl beside the photos.")
        rows = [row for row in read_jsonl(truth) if row["usable"]][: options.limit]
        paths += [truth.parent / row["file"] for row in rows]
    return read_all(paths, jobs=options.jobs)


def _kept(files: Sequence[Path]) -> list[dict[str, Any]]:
    """Records that kept cases of usable photos lead to with the present calibration."""
    calibration = load_calibration()
    cases = [case for case in load_kept(files) if case.truth["usable"]]
    return [{**record(case, calibration), "model": case.parts.model} for case in cases]


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(prog="training.known", description=__doc__.splitlines()[0])
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--truth", type=Path, nargs="+", help="truth.jsonl beside its photos")
    source.add_argument("--kept", type=Path, nargs="+", help="what `training.kept` wrote")
    parser.add_argument("--out", type=Path, default=models_folder() / KNOWN_FILE)
    parser.add_argument("--limit", type=int, help="only this many photos of each truth file")
    parser.add_argument("--jobs", type=int, default=1, help="processes that read photos")
    options = parser.parse_args(words)
    if options.kept and options.limit is not None:
        parser.error("--limit counts the photos of truth files: leave it out with --kept.")
    try:
        said = known_from(_kept(options.kept) if options.kept else _read(options))
    except (OSError, ValueError) as error:
        sys.exit(f"known: {error}")
    options.out.write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")
    print(f"{options.out}: {said}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
