"""Kept: photos read where they were rendered, to be calibrated and reported on elsewhere.

    python -m training.kept --finished work/finished --out kept --jobs 16

A finished photo is a megabyte, what was read of it some 60 KB: a machine that renders and trains
can read a thousand of them with the network it has just exported and send only the cases home. One
file a part and process; `training.calibrate --kept` and `training.crossfit` take them. They are
pickles of this program's own values: open none that somebody else gives you.
"""

from __future__ import annotations

import argparse
import glob
import multiprocessing
import pickle
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2

from collarvision.network import ModelError
from collarvision.plant import assemble
from training.cases import Case, read_cases
from training.scoring import refuse_same_names


def reassembled(case: Case) -> Case:
    """The case with its plants assembled by the present rules from the parts that were read."""
    closer = case.closer
    if closer is not None:
        closer = replace(closer, plant=assemble(closer.parts, closer.scale))
    return replace(case, plant=assemble(case.parts, case.scale), closer=closer)


def load_kept(files: Iterable[Path]) -> list[Case]:
    """Cases of the files, each plant assembled by the present rules.

    Raises
    ------
    ValueError
        When a file is broken, the files are of different networks, or a photo is in them twice.
    """
    cases: list[Case] = []
    for file in files:
        try:
            with file.open("rb") as stream:
                cases += pickle.load(stream)
        except (pickle.UnpicklingError, EOFError, AttributeError, ImportError, TypeError) as error:
            raise ValueError(
                f"{file} holds no kept cases of this program: keep them again."
            ) from error
    models = {case.parts.model for case in cases}
    if len(models) > 1:
        raise ValueError(f"These cases are of different networks: {', '.join(sorted(models))}.")
    refuse_same_names(
        (case.name for case in cases), "Keep them again, into an empty folder, and give each once"
    )
    return [reassembled(case) for case in cases]


def _keep(job: tuple[Path, Path, int, int]) -> tuple[str, int]:
    """Read every `of`-th photo of a truth file, from the `first` on, and write the cases."""
    truth_file, out, first, of = job
    cv2.setNumThreads(1)  # processes are the parallelism here
    rows = truth_file.read_text(encoding="utf-8").splitlines()[first::of]
    some = truth_file.with_name(f"truth-{first}.jsonl")
    some.write_text("\n".join(rows) + "\n", encoding="utf-8")
    cases = read_cases(some)
    some.unlink()
    name = f"{truth_file.parent.name}-{first}.pkl"
    spare = out / f"{name}.part"
    spare.write_bytes(pickle.dumps(cases))
    spare.replace(out / name)
    return name, len(cases)


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        prog="training.kept", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--finished", type=Path, required=True, help="folder of parts")
    parser.add_argument("--out", type=Path, required=True, help="folder for the cases")
    parser.add_argument("--jobs", type=int, default=4)
    options = parser.parse_args(words)
    truths = sorted(options.finished.glob("part-*/truth.jsonl"))
    if not truths:
        print(f"kept: no part-*/truth.jsonl under {options.finished}.", file=sys.stderr)
        return 1
    options.out.mkdir(parents=True, exist_ok=True)
    for truth in truths:
        # Of other --jobs before: with files of both, photos would count twice.
        for stale in options.out.glob(f"{glob.escape(truth.parent.name)}-[0-9]*.pkl"):
            stale.unlink()
    each = max(1, options.jobs // len(truths))
    jobs = [(truth, options.out, k, each) for truth in truths for k in range(each)]
    # Started anew, since ONNX Runtime's threads don't survive a fork.
    context = multiprocessing.get_context("spawn")
    try:
        with ProcessPoolExecutor(options.jobs, mp_context=context) as pool:
            for name, count in pool.map(_keep, jobs):
                print(f"{name}: {count} photos", flush=True)
    except (OSError, ModelError) as error:
        print(f"kept: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
