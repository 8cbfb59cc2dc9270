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
import shutil
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from collarvision.calibration import CALIBRATION_FILE, as_json, load_calibration
from collarvision.drift import KNOWN_FILE
from collarvision.network import MODEL_FILE, ModelError, models_folder
from collarvision.photofile import PhotoError
from collarvision.survey import SurveyError
from training import checkpoint, gate, known
from training.calibrate import FEWEST as TO_CALIBRATE
from training.calibrate import FEWEST_HEIGHTS, calibrate
from training.cases import read_cases
from training.corrected import (
    Corrected,
    corrected_plants,
    generated_rows,
    groups_with,
    repeats_beside,
    truth_row,
    write_photos,
    write_training,
)
from training.evaluate import read_all
from training.inplace import CANDIDATE, WEIGHTS_FILE, promote, put_right, roll_back
from training.scoring import read_jsonl
from training.sidebyside import Said, accepted_wrong, network_at, said_by_network, said_by_tool
from training.views import READ_PX

WEIGHTS = Path(__file__).resolve().parent / "weights" / "collarvision.pt"
FEWEST_TO_TRAIN = 20


def arguments(argv: Sequence[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    words = (__doc__ or "").splitlines()[0]
    parser = argparse.ArgumentParser(prog="training.relabel", description=words)
    add = parser.add_argument
    add("--survey", type=Path, help="the survey with hand counts")
    add("--out", type=Path, required=True, help="folder for samples, candidate and previous pair")
    add("--generated", type=Path, help="folder of generated samples to mix in")
    add(
        "--generated-count",
        type=int,
        default=1000,
        help="at most so many of them; with the corrected ones they lie in memory, some 2 MB each",
    )
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
    add("--seed", type=int, default=1, help="of the draws while training")
    add("--only-measure", action="store_true", help="change nothing, whatever comes out")
    add("--roll-back", action="store_true", help="put the previous network back")
    options = parser.parse_args(argv)
    if not options.roll_back and options.survey is None:
        parser.error("Give --survey, or --roll-back.")
    if options.read_px % 32:
        parser.error("--read-px is a multiple of 32, such as 640.")
    return options


# --------------------------------------------------------------------------- steps


def train_on(options: argparse.Namespace, corrected: Path) -> Path:
    """Train on from the present weights, on the samples of one folder; gives the checkpoint."""
    from training import train

    out = options.out / CANDIDATE / WEIGHTS_FILE
    # All of them, taken up by one thread: the same order, so the same draws, on any machine.
    samples = len(read_jsonl(corrected / "truth.jsonl"))
    words = ["--samples", str(corrected), "--init", str(options.init), "--out", str(out)]
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
        ("seed", options.seed),
        *([("device", options.device)] if options.device else []),
    ):
        words += [f"--{name}", str(value)]
    words += ["--by-steps"] * bool(options.max_steps)
    train.train(train.arguments(words))
    return out


def usable_rows(truths: Sequence[Path]) -> int:
    """How many usable photos truth files name."""
    return sum(bool(row["usable"]) for truth in truths for row in read_jsonl(truth))


def new_calibration(model: Path, truths: Sequence[Path], old: Path, out: Path) -> str:
    """Calibrate the candidate where enough photos are there, else keep the old numbers.

    The old ones are kept too where no threshold of the new ones would keep the stated risk.

    Returns
    -------
    str
        A sentence about what was done.
    """

    def kept(why: str) -> str:
        if old.is_file():
            shutil.copyfile(old, out)
        return (
            f"The old calibration is kept: {why}. Confidences are those of the network before, and "
            "readings with it are said to be; give --finished for more photos, or run "
            "training.calibrate later."
        )

    rows = usable_rows(truths)
    if rows < TO_CALIBRATE:
        return kept(f"{rows} usable photos to calibrate on, {TO_CALIBRATE} are needed")
    with network_at(model):
        cases = [case for truth in truths for case in read_cases(truth)]
    readable = sum(case.usable for case in cases)
    if readable < TO_CALIBRATE:
        return kept(
            f"{readable} of the photos to calibrate on can be read, {TO_CALIBRATE} are needed"
        )
    before = load_calibration(old)
    try:
        fitted, about = calibrate(cases, before.risk)
    except ValueError as error:
        return kept(str(error).rstrip("."))
    if not about["threshold_met_risk"]:
        return kept(f"on {readable} photos no threshold keeps wrong stages to {before.risk:.0%}")
    # What these photos can't tell stays as it was.
    if all(case.usable for case in cases):
        fitted = replace(fitted, usable_floor=before.usable_floor)
    if sum(bool(case.truth.get("height_arch_mm")) for case in cases) < FEWEST_HEIGHTS:
        fitted = replace(fitted, interval_factor=before.interval_factor)
    out.write_text(as_json(fitted, about) + "\n", encoding="utf-8")
    return f"Calibrated anew on {len(cases)} photos."


def note_known(model: Path, photos: Sequence[Path], out: Path) -> str:
    """Note how photos that the candidate never trained on look to it, where there are enough.

    Returns
    -------
    str
        A sentence about what was done.
    """
    try:
        with network_at(model):
            records = read_all(photos) if len(photos) >= known.FEWEST else []
        said = known.known_from(records)
    except (ValueError, PhotoError) as error:
        return (
            f"How photos look to the new network could not be noted on the {len(photos)} that it "
            f"never trained on ({error}) Until training.known has run, unlike photos are not "
            "warned of."
        )
    out.write_text(json.dumps(said, indent=1) + "\n", encoding="utf-8")
    return f"How photos look to the new network was noted on {said['photos']} of them."


def compare(
    options: argparse.Namespace, held_out: Sequence[Corrected], folder: Path
) -> tuple[list[gate.Measured], dict[str, gate.Accepted]]:
    """Read the held-out plants with both networks, each with its calibration.

    Returns
    -------
    measured : list of gate.Measured
        Without photos that can't be read.
    accepted : dict
        By "old" and "new", what each accepts; empty where the network alone is asked.
    """
    truth = folder / "truth.jsonl"
    homes = {"old": options.models, "new": options.out / CANDIDATE}
    files = [row["file"] for row in read_jsonl(truth)]
    counted = {file: plant.stage for file, plant in zip(files, held_out, strict=True)}
    accepted: dict[str, gate.Accepted] = {}
    said: dict[str, dict[str, Said]] = {}
    for name, home in homes.items():
        if options.judge_by == "tool":
            calibration = load_calibration(home / CALIBRATION_FILE)
            said[name] = said_by_tool(truth, home / MODEL_FILE, calibration)
            photos, wrong = accepted_wrong(said[name], counted)
            accepted[name] = gate.Accepted(photos, wrong, calibration.risk)
        else:
            said[name] = said_by_network(truth, home / MODEL_FILE, options.read_px)
    measured = [
        gate.Measured(
            file,
            plant.group,
            plant.record.get("layout") or "layout unknown",
            plant.stage,
            *(said[name][file].stage for name in homes),
        )
        for file, plant in zip(files, held_out, strict=True)
        if all(file in said[name] for name in homes)
    ]
    return measured, accepted


def relabel(options: argparse.Namespace) -> gate.Decision:
    """Do it all; gives the gate's decision, and writes it to ``report.json`` in the out folder.

    Raises
    ------
    SystemExit
        Too few counted plants, or a file that isn't there.
    """
    from training.export import export

    put_right(options.out)  # before anything of the network in place is read
    plants, told = corrected_plants(options.survey)
    # A share may have changed since, or been too small to calibrate on: what the network has learnt
    # from tells nothing of it any more.
    learnt = checkpoint.learnt_by(options.init)
    back = sum(p.share != "train" and p.sha256 in learnt for p in plants)
    if back:
        told.append(f"{back} plants are learnt from again: the network before was trained on them.")
    # A stop stays on one side: its other plants look much like those that were learnt from.
    near = groups_with(options.survey, learnt) if learnt else set()
    more = sum(p.share != "train" and p.sha256 not in learnt and p.group in near for p in plants)
    if more:
        told.append(
            f"{more} more plants are learnt from, and neither calibrated nor judged on: the "
            "network before was trained on plants of their stops."
        )
    plants = [replace(p, share="train") if p.group in near else p for p in plants]
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
    usable = usable_rows(truths)
    to_train = shares["train"]
    if spared and (options.judge_by == "network" or usable < TO_CALIBRATE):
        # Too few to calibrate on; rather than lie idle they are learnt from.
        told.append(
            f"The {len(spared)} plants to calibrate on are learnt from too: there are {usable} "
            f"usable photos to calibrate on, with those of --finished; {TO_CALIBRATE} are needed."
            if usable < TO_CALIBRATE
            else f"The {len(spared)} plants to calibrate on are learnt from too: the network alone "
            "is judged."
        )
        to_train = to_train + shares["calibrate"]
        truths, spared = list(options.finished), []
    typed = sum(not p.marked for p in to_train)
    if typed:
        told.append(
            f"{typed} typed counts are not learnt from, as a stage alone doesn't say which leaves "
            "were lost. Move or confirm the handles to teach with them."
        )
    to_train = [p for p in to_train if p.marked]
    nowhere = sum(truth_row(p, "")["plant_box_px"] is None for p in to_train)
    if nowhere:
        told.append(
            f"{nowhere} marked plants are not learnt from: neither a tip nor the arch is marked or "
            "read on their photos, so how far they reach isn't known. Mark those too."
        )
    by_network = options.judge_by == "network"
    held_out = write_photos(shares["held-out"], sets / "held-out", placed=by_network)
    unplaced = len(shares["held-out"]) - len(held_out)
    if unplaced:
        told.append(
            f"{unplaced} held-out plants are not judged: nothing was found on their photos to crop "
            "by. --judge-by tool judges them too."
        )
    beside = generated_rows(options.generated, options.generated_count)
    repeats = repeats_beside(len(beside), len(to_train))
    trained = write_training(to_train, sets / "train", repeats=repeats, beside=beside)
    told.append(
        f"{trained} counted plants to train on (beside {len(beside)} generated), {len(spared)} to "
        f"calibrate on, {len(held_out)} held out."
    )
    print("\n".join(told), flush=True)
    groups = len({plant.group for plant in held_out})
    if trained < FEWEST_TO_TRAIN or len(held_out) < gate.FEWEST or groups < gate.FEWEST_GROUPS:
        raise SystemExit(
            f"Too few: {FEWEST_TO_TRAIN} plants to train on and {gate.FEWEST} held out, at "
            f"{gate.FEWEST_GROUPS} stops or more, are the least; here they are {trained}, and "
            f"{len(held_out)} at {groups}. Count more, at more stops; the split goes by stop, so "
            "that a few stops may fall on one side."
        )
    candidate = options.out / CANDIDATE
    # Of an earlier candidate nothing may stay: what this one lacks is taken to be unknown of it.
    shutil.rmtree(candidate, ignore_errors=True)
    weights = train_on(options, sets / "train")
    lines = read_jsonl(sets / "train" / "truth.jsonl")
    checkpoint.note_learnt(weights, learnt | {row["sha256"] for row in lines if "sha256" in row})
    export(weights, candidate / MODEL_FILE)
    told.append(
        new_calibration(
            candidate / MODEL_FILE,
            truths,
            options.models / CALIBRATION_FILE,
            candidate / CALIBRATION_FILE,
        )
    )
    print(told[-1], flush=True)
    measured, accepted = compare(options, held_out, sets / "held-out")
    decision = gate.decide(measured, accepted)
    print(gate.side_by_side(decision))
    if decision.passed and not options.only_measure:
        unseen = [*truths, sets / "held-out" / "truth.jsonl"]
        photos = [
            truth.parent / row["file"]
            for truth in unseen
            for row in read_jsonl(truth)
            if row["usable"]
        ]
        told.append(note_known(candidate / MODEL_FILE, photos, candidate / KNOWN_FILE))
        print(told[-1], flush=True)
        promote(options.out, options.models, options.init)
        print(
            f"The new network is in {options.models}. Read the season's photos again with it: "
            "collarvision batch keeps what the old one read, and notes which network read what. "
            "Start a running hand-count page anew.\n"
            f"To put the old one back: python -m training.relabel --out {options.out} --roll-back"
        )
    elif not decision.passed:
        print("The old network stays:\n- " + "\n- ".join(decision.reasons))
    report = asdict(decision) | {"told": told, "judged_by": options.judge_by}
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
