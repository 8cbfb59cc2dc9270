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


def _put_marked(source: Path, places: dict[str, Path], marker: Path) -> None:
    marker.touch()
    _put(source, places)
    marker.unlink()


def _put_back(previous: Path) -> Path:
    """Put `previous` back to where it came from; gives that folder of models."""
    where = json.loads((previous / PLACES_FILE).read_text(encoding="utf-8"))
    models, weights = Path(where["models"]), Path(where["weights"])
    _put_marked(previous, _places(models, weights), previous / UNFINISHED)
    return models


def promote(out: Path, models: Path, weights: Path) -> None:
    """Put the candidate in place; what belongs to the network before it goes to `out`.

    Where an earlier call, or a way back, was cut short, the network before is put back first.
    """
    previous = out / PREVIOUS
    if (previous / UNFINISHED).is_file():
        _put_back(previous)
        print("An earlier change of networks was cut short: the network before it was put back.")
    places = _places(models, weights)
    # Made whole beside it: half of one and half of another must never be put back.
    kept, stale = out / f"{PREVIOUS}.part", out / f"{PREVIOUS}.stale"
    for folder in (kept, stale):
        shutil.rmtree(folder, ignore_errors=True)
    kept.mkdir(parents=True)
    for name, place in places.items():
        if place.is_file():
            shutil.copyfile(place, kept / name)
    where = {"models": str(models.resolve()), "weights": str(weights.resolve())}
    (kept / PLACES_FILE).write_text(json.dumps(where) + "\n", encoding="utf-8")
    if previous.is_dir():
        previous.rename(stale)
    kept.rename(previous)
    shutil.rmtree(stale, ignore_errors=True)
    _put_marked(out / CANDIDATE, places, previous / UNFINISHED)


def roll_back(out: Path) -> None:
    """Put back what the last promotion replaced.

    Raises
    ------
    SystemExit
        Nothing was promoted from this folder.
    """
    previous = out / PREVIOUS
    if not (previous / PLACES_FILE).is_file():
        raise SystemExit(f"Nothing to put back: no network was promoted from {out}.")
    if not (previous / MODEL_FILE).is_file():
        raise SystemExit(f"Nothing to put back: {previous} holds no network.")
    print(f"The previous network and what belongs to it are back in {_put_back(previous)}.")
