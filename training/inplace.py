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
WEIGHTS_FILE = "checkpoint.pt"


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


def promote(out: Path, models: Path, weights: Path) -> None:
    """Put the candidate in place; what belongs to the network before it goes to `out`."""
    previous = out / PREVIOUS
    places = _places(models, weights)
    previous.mkdir(parents=True, exist_ok=True)
    for name, place in places.items():
        if place.is_file():
            shutil.copyfile(place, previous / name)
        else:
            (previous / name).unlink(missing_ok=True)
    where = {"models": str(models.resolve()), "weights": str(weights.resolve())}
    (previous / "places.json").write_text(json.dumps(where) + "\n", encoding="utf-8")
    _put(out / CANDIDATE, places)


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
    if not (previous / MODEL_FILE).is_file():
        raise SystemExit(f"Nothing to put back: {previous} holds no network.")
    _put(previous, _places(Path(where["models"]), Path(where["weights"])))
    print(f"The previous network and what belongs to it are back in {where['models']}.")
