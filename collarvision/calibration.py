"""Calibration: the fitted numbers behind stage and confidence, from `models/calibration.json`.

`training/calibrate.py` fits and writes them. Without the file the values here serve; they are our
own careful guesses, and `Calibration.fitted` says so.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from collarvision.network import ModelError, models_folder

CALIBRATION_FILE = "calibration.json"
CALIBRATION_VERSION = 2

Two = tuple[float, float]
Three = tuple[float, float, float]


@dataclass(frozen=True)
class Calibration:
    """Fitted numbers.

    Attributes
    ----------
    real, out : dict of str to (intercept, weight of collar logit, weight of tip logit)
        By kind of leaf (`collarvision.plant.Leaf.kind`): P(a leaf found is a leaf, and no second
        finding of one) from the scores of its peaks; P(its collar is out), given that it is one,
        from its collar's score and its tip's word.
    pool : dict of str to float
        Weights of the log-linear pool of the three stage opinions.
    rank_sigma : float
        Error of how far one leaf's number is above that of the one before, leaves.
    sure, careful_sure : (intercept, slope)
        P(stage exactly right) is logistic in the log odds of the pooled belief in the stage; the
        second pair serves where a closer look was taken.
    closer_from : float
        Least confidence at which a closer look is taken; 1 means never.
    threshold : float
        Least confidence of a ``staged`` reading.
    usable_floor : float
        Least P(ok) of a ``staged`` reading.
    interval_factor : float
        Widens the height's interval so that it holds 90 of 100 true heights.
    risk : float
        The share of wrong stages among accepted ones that `threshold` was set for.
    fitted : bool
        False for the guesses that serve without a file.
    model : str or None
        Version of the network that it was fitted for; None where the file doesn't say.
    id : str
        What a survey knows it by: version and hash of the file, or "guesses".
    """

    real: dict[str, Three] = field(
        default_factory=lambda: {
            "paired": (3.0, 0.5, 0.3),
            "tipless": (0.0, 0.9, 0.0),
            "twin": (-0.5, 0.9, 0.0),
            "hidden": (0.0, 0.0, 0.7),
            "whorl": (1.5, 0.0, 0.7),
        }
    )
    out: dict[str, Three] = field(
        default_factory=lambda: {
            "paired": (0.8, 0.7, 0.7),
            "tipless": (1.5, 0.5, 0.0),
            "twin": (1.5, 0.5, 0.0),
            "hidden": (0.0, 0.0, 0.9),
            "whorl": (-2.5, 0.0, 0.3),
        }
    )
    pool: dict[str, float] = field(
        default_factory=lambda: {"ladder": 0.45, "count": 0.45, "second": 0.45}
    )
    rank_sigma: float = 0.5
    sure: Two = (-1.0, 1.0)
    careful_sure: Two = (-1.0, 1.0)
    closer_from: float = 0.3
    threshold: float = 0.9
    usable_floor: float = 0.5
    interval_factor: float = 1.0
    risk: float = 0.02
    fitted: bool = False
    model: str | None = None
    id: str = "guesses"


def load_calibration(path: str | Path | None = None) -> Calibration:
    """Read the calibration file, or give the guesses where there is none.

    Raises
    ------
    collarvision.network.ModelError
        When the file is there but broken.
    """
    found = Path(path) if path else models_folder() / CALIBRATION_FILE
    return _read(found) if found.is_file() else Calibration()


@lru_cache(maxsize=4)
def _read(path: Path) -> Calibration:
    try:
        content = path.read_bytes()
        said = json.loads(content)
        if said["version"] != CALIBRATION_VERSION:
            raise ValueError(said["version"])
        return Calibration(
            real={str(kind): _three(w) for kind, w in said["real"].items()},
            out={str(kind): _three(w) for kind, w in said["out"].items()},
            pool={str(k): float(v) for k, v in said["pool"].items()},
            rank_sigma=float(said["rank_sigma"]),
            sure=_two(said["sure"]),
            careful_sure=_two(said["careful_sure"]),
            closer_from=float(said["closer_from"]),
            threshold=float(said["threshold"]),
            usable_floor=float(said["usable_floor"]),
            interval_factor=float(said["interval_factor"]),
            risk=float(said["risk"]),
            fitted=True,
            model=said.get("about", {}).get("model"),
            id=f"{CALIBRATION_VERSION}-{hashlib.sha256(content).hexdigest()[:12]}",
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ModelError(
            f"The calibration file {path} is broken or of another version. "
            "Install the package again."
        ) from error


def as_json(calibration: Calibration, about: dict[str, Any]) -> str:
    """Write a calibration as the text of its file; `about` tells what it was fitted on."""
    return json.dumps(
        {
            "version": CALIBRATION_VERSION,
            "about": about,
            "real": {kind: list(w) for kind, w in calibration.real.items()},
            "out": {kind: list(w) for kind, w in calibration.out.items()},
            "pool": calibration.pool,
            "rank_sigma": calibration.rank_sigma,
            "sure": list(calibration.sure),
            "careful_sure": list(calibration.careful_sure),
            "closer_from": calibration.closer_from,
            "threshold": calibration.threshold,
            "usable_floor": calibration.usable_floor,
            "interval_factor": calibration.interval_factor,
            "risk": calibration.risk,
        },
        indent=1,
    )


def _two(values: list[float]) -> Two:
    intercept, slope = map(float, values)
    return intercept, slope


def _three(values: list[float]) -> tuple[float, float, float]:
    intercept, collar, tip = map(float, values)
    return intercept, collar, tip
