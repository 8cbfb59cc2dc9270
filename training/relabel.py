"""From a survey's hand counts to a better network, if it is one.

    python -m training.relabel --survey season.survey --out relabel [--generated work/train]
    python -m training.relabel --out relabel --roll-back

Splits the counted plants by field and stop, trains on from the present weights, exports, calibrates
anew where enough photos are there, reads the held-out plants with the old network and the new one,
and puts the new one in place only if `training.gate` says that it is better. What it replaces is
kept in the folder of ``--out``, and ``--roll-back`` puts it back.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import numpy as np

from collarvision.calibration import (
    CALIBRATION_FILE,
    Calibration,
    as_json,
    load_calibration,
)
from collarvision.confidence import judge, look_closer_at
from collarvision.network import (
    MODEL_FILE,
    MODEL_VARIABLE,
    STAGE_COUNT,
    ModelError,
    load_network,
    models_folder,
)
from collarvision.photo import load_photo
from collarvision.stage import believe
from collarvision.survey import SurveyError
from training import gate
from training.calibrate import calibrate
from training.cases import Case, read_cases
from training.corrected import (
    Corrected,
    corrected_plants,
    repeats_beside,
    write_photos,
    write_training,
)
from training.scoring import read_jsonl
from training.views import READ_MARGIN, READ_PX

WEIGHTS = Path(__file__).resolve().parent / "weights" / "collarvision.pt"
TO_CALIBRATE = 100
"""Usable photos that a calibration takes, as in `training.calibrate`."""

FEWEST_TO_TRAIN = 20
PREVIOUS, CANDIDATE = "previous", "candidate"


def arguments(argv: Sequence[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    words = (__doc__ or "").splitlines()[0]
    parser = argparse.ArgumentParser(prog="training.relabel", description=words)
    add = parser.add_argument
    add("--survey", type=Path, help="the survey with hand counts")
    add("--out", type=Path, required=True, help="folder for samples, candidate and previous pair")
    add("--generated", type=Path, help="folder of generated samples to mix in")
    add("--finished", type=Path, nargs="*", default=[], help="truth.jsonl to calibrate on as well")
    add("--minutes", type=float, default=10.0, help="length of the training")
    add("--max-steps", type=int, default=0, help="its length in steps, in place of minutes")
    add("--device", help="cpu or cuda:0; the GPU where there is one")
    add("--batch", type=int, default=16)
    add("--look-every", type=int, default=5, help="one step in so many is a first look; 0: none")
    add("--read-px", type=int, default=READ_PX, help="side of the crops, a multiple of 32")
    add("--rate", type=float, default=3e-4)
    add("--encoder-rate", type=float, default=1e-4)
    add("--init", type=Path, default=WEIGHTS, help="weights to train on from; follow the network")
    add("--models", type=Path, default=models_folder(), help="folder of network and calibration")
    add(
        "--judge-by",
        choices=("tool", "network"),
        default="tool",
        help="what is measured: the whole tool's stage, or the network's own on a crop (quick)",
    )
    add("--only-measure", action="store_true", help="change nothing, whatever comes out")
    add("--roll-back", action="store_true", help="put the previous network back")
    options = parser.parse_args(argv)
    if not options.roll_back and options.survey is None:
        parser.error("Give --survey, or --roll-back.")
    if options.read_px % 32:
        parser.error("--read-px is a multiple of 32, such as 640.")
    return options


# --------------------------------------------------------------------------- one network's stages


@contextmanager
def network_at(path: Path) -> Iterator[None]:
    """Let the run-time package use another network's file for a while."""
    before = os.environ.get(MODEL_VARIABLE)
    os.environ[MODEL_VARIABLE] = str(path)
    try:
        yield
    finally:
        if before is None:
            del os.environ[MODEL_VARIABLE]
        else:
            os.environ[MODEL_VARIABLE] = before


def stages_by_tool(truth: Path, model: Path, calibration: Calibration) -> dict[str, int | None]:
    """Read photos as `collarvision.reading` does; file to stage, None where nothing was read."""
    with network_at(model):
        return {case.name: _stage(case, calibration) for case in read_cases(truth)}


def _stage(case: Case, calibration: Calibration) -> int | None:
    belief = believe(case.plant, case.parts, calibration)
    verdict = judge(case.parts, case.plant, belief, case.findings, calibration)
    if case.closer is not None and look_closer_at(verdict, calibration):
        case = case.closer
        belief = believe(case.plant, case.parts, calibration)
        verdict = judge(case.parts, case.plant, belief, case.findings, calibration, careful=True)
    return None if verdict.outcome == "rejected" else belief.stage


def stages_by_network(truth: Path, model: Path, side: int) -> dict[str, int | None]:
    """Ask the exported network alone: its stage thresholds passed, on a crop round the plant."""
    import cv2

    network = load_network(model)
    said: dict[str, int | None] = {}
    for row in read_jsonl(truth):
        rgb = load_photo(truth.parent / row["file"]).rgb
        x0, y0, x1, y1 = row["plant_box_px"]
        scale = side / (max(x1 - x0, y1 - y0) * (1 + 2 * READ_MARGIN))
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        # Averaged while shrinking, as in training and at run time; then only moved.
        area = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        small = cv2.resize(rgb, size, interpolation=area)
        move = [side / 2 - scale * (a + b) / 2 for a, b in ((x0, x1), (y0, y1))]
        crop = cv2.warpAffine(
            small,
            np.array([[1, 0, move[0]], [0, 1, move[1]]]),
            (side, side),
            borderValue=(114, 114, 114),
        )
        _, answers = network.run(crop)
        said[row["file"]] = int((answers[: STAGE_COUNT - 1] > 0).sum())
    return said


# --------------------------------------------------------------------------- steps


def train_on(options: argparse.Namespace, corrected: Path) -> Path:
    """Train on from the present weights; gives the checkpoint."""
    from training import train

    folders = [str(corrected)] + ([str(options.generated)] if options.generated else [])
    out = options.out / CANDIDATE / "checkpoint.pt"
    # All of them, taken up by one thread: the same order, so the same draws, on any machine.
    truths = [path for folder in folders for path in Path(folder).rglob("truth.jsonl")]
    samples = sum(path.read_bytes().count(b"\n") for path in truths)
    words = ["--samples", *folders, "--init", str(options.init), "--out", str(out)]
    for name, value in (
        ("minutes", options.minutes),
        ("max-steps", options.max_steps),
        ("batch", options.batch),
        ("look-batch", options.batch),
        ("look-every", options.look_every),
        ("read-sizes", options.read_px),
        ("rate", options.rate),
        ("encoder-rate", options.encoder_rate),
        ("average-decay", 0.98),
        # Few photos, small batches: norms keep the statistics of a million plants.
        ("freeze-norms", 0.0),
        ("min-samples", samples),
        ("workers", 1),
        *([("device", options.device)] if options.device else []),
    ):
        words += [f"--{name}", str(value)]
    words += ["--by-steps"] * bool(options.max_steps)
    train.train(train.arguments(words))
    return out


def new_calibration(model: Path, truths: Sequence[Path], old: Path, out: Path) -> str:
    """Calibrate the candidate where enough photos are there, else keep the old numbers.

    Returns
    -------
    str
        A sentence about what was done.
    """
    rows = sum(bool(row["usable"]) for truth in truths for row in read_jsonl(truth))
    if rows >= TO_CALIBRATE:
        with network_at(model):
            cases = [case for truth in truths for case in read_cases(truth)]
        if sum(case.usable for case in cases) >= TO_CALIBRATE:
            fitted, about = calibrate(cases, load_calibration(old).risk)
            out.write_text(as_json(fitted, about) + "\n", encoding="utf-8")
            return f"Calibrated anew on {len(cases)} photos."
    if old.is_file():
        shutil.copyfile(old, out)
    return (
        f"The old calibration is kept: {rows} usable photos to calibrate on, {TO_CALIBRATE} are "
        "needed. Confidences are those of the network before; give --finished for more photos."
    )


def compare(
    options: argparse.Namespace, held_out: Sequence[Corrected], folder: Path
) -> list[gate.Measured]:
    """Read the held-out plants with both networks, each with its calibration."""
    truth = folder / "truth.jsonl"
    homes = (options.models, options.out / CANDIDATE)
    if options.judge_by == "tool":
        old, new = (
            stages_by_tool(truth, home / MODEL_FILE, load_calibration(home / CALIBRATION_FILE))
            for home in homes
        )
    else:
        old, new = (stages_by_network(truth, home / MODEL_FILE, options.read_px) for home in homes)
    files = [row["file"] for row in read_jsonl(truth)]
    return [
        gate.Measured(
            file,
            plant.group,
            plant.record.get("layout") or "layout unknown",
            plant.stage,
            old.get(file),
            new.get(file),
        )
        for file, plant in zip(files, held_out, strict=True)
    ]


# --------------------------------------------------------------------------- in place, and back


def _places(models: Path, weights: Path) -> dict[str, Path]:
    """Where each of the three files that belong together lies."""
    return {
        MODEL_FILE: models / MODEL_FILE,
        CALIBRATION_FILE: models / CALIBRATION_FILE,
        "checkpoint.pt": weights,
    }


def _copy_all(source: Path, places: dict[str, Path]) -> None:
    """Copy files beside their places first, then put them there one stroke each."""
    spare = {}
    for name, place in places.items():
        if (source / name).is_file():
            spare[name] = place.with_name(place.name + ".part")
            shutil.copyfile(source / name, spare[name])
    for name, path in spare.items():
        os.replace(path, places[name])


def promote(out: Path, models: Path, weights: Path) -> None:
    """Put the candidate in place; network, calibration and weights before it go to `out`."""
    previous = out / PREVIOUS
    places = _places(models, weights)
    previous.mkdir(parents=True, exist_ok=True)
    for name, place in places.items():
        if place.is_file():
            shutil.copyfile(place, previous / name)
    where = {"models": str(models.resolve()), "weights": str(weights.resolve())}
    (previous / "places.json").write_text(json.dumps(where) + "\n", encoding="utf-8")
    _copy_all(out / CANDIDATE, places)


def roll_back(out: Path) -> None:
    """Put back what the last promotion replaced.

    Raises
    ------
    SystemExit
        Nothing was promoted from this folder.
    """
    previous = out / PREVIOUS
    note = previous / "places.json"
    if not note.is_file():
        raise SystemExit(f"Nothing to put back: no network was promoted from {out}.")
    where = json.loads(note.read_text(encoding="utf-8"))
    _copy_all(previous, _places(Path(where["models"]), Path(where["weights"])))
    print(f"The previous network and its calibration are back in {where['models']}.")


def relabel(options: argparse.Namespace) -> gate.Decision:
    """Do it all; gives the gate's decision, and writes it to ``report.json`` in the out folder.

    Raises
    ------
    SystemExit
        Too few counted plants, or a file that isn't there.
    """
    from training.export import export

    plants, told = corrected_plants(options.survey)
    shares = {
        share: [p for p in plants if p.share == share]
        for share in ("train", "calibrate", "held-out")
    }
    sets = options.out / "plants"
    spared = write_photos(shares["calibrate"], sets / "calibrate")
    truths = [sets / "calibrate" / "truth.jsonl", *options.finished]
    for path in truths[1:]:
        if not path.is_file():
            raise SystemExit(f"No truth file at {path}. Give the truth.jsonl beside the photos.")
    usable = sum(bool(row["usable"]) for truth in truths for row in read_jsonl(truth))
    to_train = shares["train"]
    if options.judge_by == "network" or usable < TO_CALIBRATE:
        # Too few to calibrate on; rather than lie idle they are learnt from.
        to_train = to_train + shares["calibrate"]
        truths, spared = [], []
    held_out = write_photos(shares["held-out"], sets / "held-out")
    generated = 0
    if options.generated:
        generated = sum(len(read_jsonl(p)) for p in options.generated.rglob("truth.jsonl"))
    repeats = repeats_beside(generated, len(to_train))
    trained = write_training(to_train, sets / "train", repeats=repeats)
    told.append(
        f"{trained} counted plants to train on (beside {generated} generated), {len(spared)} to "
        f"calibrate on, {len(held_out)} held out."
    )
    print("\n".join(told), flush=True)
    if trained < FEWEST_TO_TRAIN or len(held_out) < gate.FEWEST:
        raise SystemExit(
            f"Too few: {FEWEST_TO_TRAIN} plants to train on and {gate.FEWEST} held out are the "
            "least. Count more, at more stops; the split goes by stop, so that a few stops may "
            "fall on one side."
        )
    checkpoint = train_on(options, sets / "train")
    candidate = options.out / CANDIDATE
    export(checkpoint, candidate / MODEL_FILE)
    note = new_calibration(
        candidate / MODEL_FILE,
        truths,
        options.models / CALIBRATION_FILE,
        candidate / CALIBRATION_FILE,
    )
    print(note, flush=True)
    decision = gate.decide(compare(options, held_out, sets / "held-out"))
    print(gate.side_by_side(decision))
    if decision.passed and not options.only_measure:
        promote(options.out, options.models, options.init)
        print(
            f"The new network is in {options.models}. Read the season's photos again with it: "
            "collarvision batch keeps what the old one read, and notes which network read what.\n"
            f"To put the old one back: python -m training.relabel --out {options.out} --roll-back"
        )
    elif not decision.passed:
        print("The old network stays:\n- " + "\n- ".join(decision.reasons))
    report = asdict(decision) | {"told": [*told, note], "judged_by": options.judge_by}
    text = json.dumps(report, indent=1) + "\n"
    (options.out / "report.json").write_text(text, encoding="utf-8")
    return decision


def main(argv: Sequence[str] | None = None) -> int:
    """Run from the command line; 0 promoted or measured, 1 refused or not possible."""
    options = arguments(argv)
    if options.roll_back:
        roll_back(options.out)
        return 0
    try:
        return 0 if relabel(options).passed else 1
    except (SurveyError, ModelError, OSError) as error:
        print(f"relabel: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    raise SystemExit(main())
