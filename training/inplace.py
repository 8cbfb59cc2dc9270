"""In place: the files that belong to one network, put where run time finds them, and back.

Network, calibration, weights to train on from, and what is known of the network: a file that the
candidate lacks is taken away with the old network, as it says nothing of the new one.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

from collarvision.calibration import CALIBRATION_FILE
from collarvision.drift import KNOWN_FILE
from collarvision.network import MODEL_FILE

PREVIOUS, CANDIDATE = "previous", "candidate"
UNFINISHED = "unfinished"
"""Lies in `PREVIOUS` for as long as what is in place may be of two networks."""

WEIGHTS_FILE = "checkpoint.pt"
PLACES_FILE = "places.json"


def _places(models: Path, weights: Path) -> dict[str, Path]:
    """Where each of the files that belong together lies."""
    names = (MODEL_FILE, CALIBRATION_FILE, KNOWN_FILE)
    return {name: models / name for name in names} | {WEIGHTS_FILE: weights}


def _put(source: Path, places: dict[str, Path]) -> None:
    """Make the places hold what `source` holds: copies beside them first, then a stroke each."""
    spare = {}
    for name, place in places.items():
        if (source / name).is_file():
            spare[name] = place.with_name(place.name + ".part")
            shutil.copyfile(source / name, spare[name])
    for name, place in places.items():
        if name in spare:
            os.replace(spare[name], place)
        else:
            place.unlink(missing_ok=True)


def _came_from(previous: Path) -> dict[str, Path]:
    where = json.loads((previous / PLACES_FILE).read_text(encoding="utf-8"))
    return _places(Path(where["models"]), Path(where["weights"]))


def _kept_and_stale(out: Path) -> tuple[Path, Path]:
    """What the next `PREVIOUS` is made in, and where the last one lies while it is replaced."""
    return out / f"{PREVIOUS}.part", out / f"{PREVIOUS}.stale"


def put_right(out: Path) -> bool:
    """Put the network before back where a promotion, or a way back, was cut short.

    Returns
    -------
    bool
        Whether what was in place may have been of two networks.
    """
    previous = out / PREVIOUS
    kept, stale = _kept_and_stale(out)
    if not previous.is_dir() and stale.is_dir():
        stale.rename(previous)  # cut between two renames: nothing was put in place
    if not (previous / UNFINISHED).is_file():
        # Of a promotion that got to its end; a later one that is cut would take it for its own.
        if stale.is_dir():
            shutil.rmtree(stale)
        return False
    _put(previous, _came_from(previous))
    if stale.is_dir():  # the promotion is undone, and so is what it replaced here
        shutil.rmtree(kept, ignore_errors=True)
        previous.rename(kept)
        stale.rename(previous)
        shutil.rmtree(kept, ignore_errors=True)
    else:
        (previous / UNFINISHED).unlink()
    print("An earlier change of networks was cut short: the network before it was put back.")
    return True


def promote(out: Path, models: Path, weights: Path) -> None:
    """Put the candidate in place; what belongs to the network before it goes to `out`.

    Where an earlier call, or a way back, was cut short, the network before is put back first.
    """
    put_right(out)
    previous, places = out / PREVIOUS, _places(models, weights)
    # Made whole beside it: half of one and half of another must never be put back.
    kept, stale = _kept_and_stale(out)
    shutil.rmtree(kept, ignore_errors=True)
    kept.mkdir(parents=True)
    for name, place in places.items():
        if place.is_file():
            shutil.copyfile(place, kept / name)
    where = {"models": str(models.resolve()), "weights": str(weights.resolve())}
    (kept / PLACES_FILE).write_text(json.dumps(where) + "\n", encoding="utf-8")
    (kept / UNFINISHED).touch()
    if previous.is_dir():
        previous.rename(stale)
    kept.rename(previous)
    _put(out / CANDIDATE, places)
    # The last stroke: until here it can be undone. What was replaced goes with the next change.
    (previous / UNFINISHED).unlink()


def roll_back(out: Path) -> None:
    """Put back what the last promotion replaced, or only undo one that was cut short.

    Raises
    ------
    SystemExit
        Nothing was promoted from this folder.
    """
    if put_right(out):
        return
    previous = out / PREVIOUS
    if not (previous / PLACES_FILE).is_file():
        raise SystemExit(f"Nothing to put back: no network was promoted from {out}.")
    if not (previous / MODEL_FILE).is_file():
        raise SystemExit(f"Nothing to put back: {previous} holds no network.")
    places = _came_from(previous)
    (previous / UNFINISHED).touch()
    _put(previous, places)
    (previous / UNFINISHED).unlink()
    print(f"The previous network and what belongs to it are back in {places[MODEL_FILE].parent}.")
