"""Agreement: how often two people, or a person and the program, count the same on one plant.

Kappa is Cohen's: kappa = (p_o - p_e) / (1 - p_e), with p_o the share of plants on which both agree
and p_e the share on which they would if each gave his own stages at random (J. Cohen 1960, "A
coefficient of agreement for nominal scales", Educational and Psychological Measurement 20:37-46).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from collarvision.splitstalk import NodeCountError, collars_from_nodes
from collarvision.survey import HandCount, StoredCount

IN_THE_FIELD = ("on-plant", "split-stalk")
"""Ways of counting that look at the plant, not at the photo with the program's answer on it."""


@dataclass(frozen=True)
class Agreement:
    """How two sets of counts of the same plants agree.

    Attributes
    ----------
    plants : int
    exact, within_one : float
        Share of plants with the same stage, and with at most one stage between.
    kappa : float or None
        Cohen's; None where both gave one and the same stage to all, which chance does too.
    """

    plants: int
    exact: float
    within_one: float
    kappa: float | None


@dataclass(frozen=True)
class PairAgreement:
    """Agreement of two people."""

    one: str
    other: str
    agreement: Agreement


@dataclass(frozen=True)
class ToolAgreement:
    """Agreement of a person with the program.

    Attributes
    ----------
    who : str
    agreement : Agreement
        Over all plants that both have a stage for.
    in_the_field : Agreement or None
        Over those counted on the plant itself; the others were counted with the program's answer
        on the screen, which draws a count towards it.
    staged : Agreement or None
        Over those that the program had accepted.
    """

    who: str
    agreement: Agreement
    in_the_field: Agreement | None
    staged: Agreement | None


def agreement(pairs: Sequence[tuple[int, int]]) -> Agreement | None:
    """Agreement over pairs of stages, one pair a plant; None without any."""
    if not pairs:
        return None
    plants = len(pairs)
    exact = sum(a == b for a, b in pairs) / plants
    return Agreement(
        plants=plants,
        exact=exact,
        within_one=sum(abs(a - b) <= 1 for a, b in pairs) / plants,
        kappa=cohens_kappa(pairs),
    )


def cohens_kappa(pairs: Sequence[tuple[int, int]]) -> float | None:
    """Cohen's kappa (1960) of pairs of stages; None where chance alone agrees on every plant."""
    plants = len(pairs)
    ones, others = Counter(a for a, _ in pairs), Counter(b for _, b in pairs)
    # In whole numbers until the end: 1 - p_e must be exactly 0 where it is.
    by_chance = sum(count * others[stage] for stage, count in ones.items())
    if by_chance == plants * plants:
        return None
    agreed = sum(a == b for a, b in pairs)
    return (agreed * plants - by_chance) / (plants * plants - by_chance)


def stage_counted(count: HandCount) -> int | None:
    """Collars that a count says, from nodes too; None for a height alone."""
    if count.stage is not None:
        return count.stage
    if count.nodes is None:
        return None
    try:
        return collars_from_nodes(count.nodes).collars
    except NodeCountError:
        return None


def last_words(
    counts: Iterable[StoredCount], *, of_plants: bool = False
) -> dict[str, dict[str, StoredCount]]:
    """The last count of each person on each photo: by the photo's hash, then by the person.

    With `of_plants` the photos that show one plant go together, by the one that was counted last.
    """
    found: dict[str, dict[str, StoredCount]] = {}
    photos: dict[str, str] = {}
    for count in counts:
        if stage_counted(count.count) is not None:
            key = (of_plants and count.one_plant) or count.sha256
            found.setdefault(key, {})[count.count.who] = count
            photos[key] = count.sha256
    return {photos[key]: words for key, words in found.items()}


def stages_said(words: dict[str, StoredCount]) -> dict[str, int]:
    """Each person's stage for one plant."""
    said = {who: stage_counted(stored.count) for who, stored in words.items()}
    return {who: stage for who, stage in said.items() if stage is not None}


def disputed(counts: Iterable[StoredCount]) -> dict[str, dict[str, int]]:
    """Plants that people count differently: by the photo counted last, each person's stage."""
    last = last_words(counts, of_plants=True)
    said = {sha256: stages_said(words) for sha256, words in last.items()}
    return {sha256: stages for sha256, stages in said.items() if len(set(stages.values())) > 1}


def between_people(counts: Iterable[StoredCount]) -> tuple[PairAgreement, ...]:
    """Agreement of every two people who counted the same plants, most plants first."""
    pairs: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for words in last_words(counts, of_plants=True).values():
        said = stages_said(words)
        for one, other in combinations(sorted(said), 2):
            pairs.setdefault((one, other), []).append((said[one], said[other]))
    found = [
        PairAgreement(one, other, result)
        for (one, other), stages in pairs.items()
        if (result := agreement(stages)) is not None
    ]
    return tuple(sorted(found, key=lambda pair: (-pair.agreement.plants, pair.one, pair.other)))


def with_tool(counts: Iterable[StoredCount]) -> tuple[ToolAgreement, ...]:
    """Agreement of every person with the readings, most plants first."""
    by_person: dict[str, list[StoredCount]] = {}
    for words in last_words(counts, of_plants=True).values():
        for who, stored in words.items():
            if stored.read_stage is not None:
                by_person.setdefault(who, []).append(stored)
    found = []
    for who, mine in by_person.items():
        overall = agreement(_pairs(mine))
        if overall is not None:
            field = [stored for stored in mine if stored.count.way in IN_THE_FIELD]
            staged = [stored for stored in mine if stored.read_outcome == "staged"]
            found.append(
                ToolAgreement(who, overall, agreement(_pairs(field)), agreement(_pairs(staged)))
            )
    return tuple(sorted(found, key=lambda one: (-one.agreement.plants, one.who)))


def _pairs(stored: Iterable[StoredCount]) -> list[tuple[int, int]]:
    said = ((stage_counted(one.count), one.read_stage) for one in stored)
    return [(counted, read) for counted, read in said if counted is not None and read is not None]
