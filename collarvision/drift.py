"""Drift: are recent photos like those the network is known on, and do its accepted answers hold?

Two questions, both of a network that is calibrated and known: where it isn't, that is said. Both
are answered by the exact binomial test (C.J. Clopper and E.S. Pearson 1934, "The
use of confidence or fiducial limits illustrated in the case of the binomial", Biometrika
26:404-413), one-sided:

- How sure the network is of collars and tips. `models/known.json` holds the value that one in ten
  known photos falls below. Where far more than one in ten recent ones do, they are unlike them.
- How often a hand count disagrees with a reading that was accepted, against the risk that the
  calibration promises. Counts made on the plant itself decide alone where there are any: a person
  who has the program's answer before him agrees too easily.

Plants of one field are alike, so the levels are strict: a warning should be rare.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from collarvision.agreement import IN_THE_FIELD, last_words, stage_counted
from collarvision.calibration import Calibration, load_calibration
from collarvision.network import ModelError, models_folder
from collarvision.survey import PlantRow, StoredCount, SurveyReader

KNOWN_FILE: Final = "known.json"
SHARE: Final = 0.1
"""Of known photos that fall below the values kept."""

UNLIKE_LEVEL: Final = 0.001
RISK_LEVEL: Final = 0.01
FEWEST: Final = 10
"""Photos under which nothing is said of their likeness. Our own choice, as are the levels."""

RECENT: Final = 400
"""Photos looked at, the last ones read."""

FIGURES: Final = {
    "collars": "collars show less clearly",
    "tips": "leaf tips show less clearly",
}


@dataclass(frozen=True)
class Known:
    """What the network is like on photos that it's known to read.

    Attributes
    ----------
    model : str
        Its version; another network's photos can't be compared.
    photos : int
        That the values stand on.
    low : dict of str to float
        By name in `FIGURES`, the value that one photo in ten falls below.
    """

    model: str
    photos: int
    low: dict[str, float]


def load_known(path: Path | None = None) -> Known | None:
    """Read what is known of the network, or None where no file tells.

    Raises
    ------
    collarvision.network.ModelError
        The file is there but broken.
    """
    found = path or models_folder() / KNOWN_FILE
    return _read(found) if found.is_file() else None


@lru_cache(maxsize=2)
def _read(path: Path) -> Known:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        low = {name: float(said["low"][name]) for name in FIGURES}
        return Known(str(said["model"]), int(said["photos"]), low)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"The file {path} is broken. Install the package again.") from error


def figures(record: Mapping[str, Any]) -> dict[str, float]:
    """How sure the network was on one photo: its mean score of collars, and of tips.

    Parameters
    ----------
    record : mapping
        See `collarvision.record`. A figure without marks is left out: a VE plant has no collar.
    """
    found = {}
    for name in FIGURES:
        scores = [float(mark["score"]) for mark in record.get(name) or ()]
        if scores:
            found[name] = sum(scores) / len(scores)
    return found


def at_least(hits: int, trials: int, share: float) -> float:
    """P(that many hits or more) when each of the trials hits with probability `share`."""
    if hits <= 0:
        return 1.0
    if share <= 0.0:
        return 0.0
    if share >= 1.0:
        return 1.0
    logs = [
        math.lgamma(trials + 1)
        - math.lgamma(k + 1)
        - math.lgamma(trials - k + 1)
        + k * math.log(share)
        + (trials - k) * math.log1p(-share)
        for k in range(hits, trials + 1)
    ]
    return min(1.0, math.fsum(math.exp(one) for one in logs))


def unlike(records: Iterable[Mapping[str, Any]], known: Known) -> tuple[str, ...]:
    """Warn where photos are unlike the known ones, as sentences; empty if they aren't."""
    mine = [figures(record) for record in records if record.get("model") == known.model]
    told = []
    for name, words in FIGURES.items():
        values = [one[name] for one in mine if name in one]
        below = sum(value < known.low[name] for value in values)
        if len(values) >= FEWEST and at_least(below, len(values), SHARE) < UNLIKE_LEVEL:
            told.append(
                f"Recent photos look unlike those the program knows: {words} than on nine of ten "
                f"known photos on {below} of {len(values)} ({SHARE:.0%} is usual). Trust its "
                "answers less and count some plants by hand."
            )
    return tuple(told)


def beyond_risk(counts: Iterable[StoredCount], risk: float) -> str | None:
    """Warn where hand counts disagree with accepted readings more often than the risk allows."""
    told = {
        sha256: max(words.values(), key=lambda one: one.id)
        for sha256, words in last_words(counts).items()
    }
    accepted = [one for one in told.values() if one.read_outcome == "staged"]
    in_field = [one for one in accepted if one.count.way in IN_THE_FIELD]
    judged = in_field or accepted
    wrong = sum(stage_counted(one.count) != one.read_stage for one in judged)
    if at_least(wrong, len(judged), risk) >= RISK_LEVEL:
        return None
    return (
        f"Hand counts disagree with {wrong} of {len(judged)} accepted readings; {risk:.0%} is what "
        "the program promises. Count more plants by hand, and have the network trained on them."
    )


def unproven(
    plants: Sequence[PlantRow], known: Known | None, calibration: Calibration
) -> tuple[str, ...]:
    """Say so where the network that read photos is not the one that was calibrated, or known.

    Parameters
    ----------
    plants : sequence of PlantRow
        Only those read by the present calibration tell which network reads now.
    """
    now = [row.model for row in plants if row.calibration == calibration.id and row.model]
    if not now or not calibration.fitted:
        return ()
    told = []
    if calibration.model is not None and calibration.model != now[-1]:
        told.append(
            f"The network {now[-1]} reads with a calibration that was fitted for another one, "
            f"{calibration.model}: how sure it says it is may be wrong. Count more plants by hand "
            "until it has been calibrated."
        )
    if known is None or known.model != now[-1]:
        told.append(
            "It can't be told whether these photos look like those that the network was made "
            f"with: nothing is on record for {now[-1]}. Check some of its answers by hand."
        )
    return tuple(told)


def warnings(plants: Sequence[PlantRow], counts: Iterable[StoredCount]) -> tuple[str, ...]:
    """Give every kind of warning on the plants and counts of a field or a survey."""
    recent = sorted(plants, key=lambda row: row.read_at)[-RECENT:]
    known, calibration = load_known(), load_calibration()
    told = list(unproven(recent, known, calibration))
    told += () if known is None else unlike((row.record for row in recent), known)
    worse = beyond_risk(counts, calibration.risk)
    return (*told, *([] if worse is None else [worse]))


def warnings_of(store: SurveyReader, field: str | None = None) -> tuple[str, ...]:
    """Give warnings on one field of a survey, or on all of it, by its last visits.

    Raises
    ------
    collarvision.survey.SurveyError
        The survey can't be read.
    """
    plants: list[PlantRow] = []
    for visit in sorted(store.visits(field), key=lambda one: one.date or "", reverse=True):
        if len(plants) >= RECENT:
            break
        if visit.date is not None:
            plants += store.plants(visit.field, visit.date)
    return warnings(plants, store.counts(field=field))
