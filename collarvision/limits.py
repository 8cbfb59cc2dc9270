"""Limits: may this field still be treated, by which limit, and which plants say so.

A field is **past** when more of its plants than the limit allows are past the maximum. Labels
limit the crop's stage and set no share, so the share allowed is 0 unless the user sets another:
then one plant seen past the maximum is enough. It is **too early** when more plants are short of
the minimum than allowed (half, by the half rule, unless set otherwise). In between it is
**closing** when one more leaf takes more plants than allowed to their last allowed one, when they
stand over 4/5 of the greatest height, when reading doubt leaves over 1 in 20 that it is past, or
in the last week before the days before harvest begin; else **open**. It is **can't tell** when
the plants are too few, too old, or waiting for a hand count that could change the answer, when
many small doubts make it likely that one of the plants is past and none can be named, or when
plants without a date would change the answer if they were of this visit. Past is said even then,
where the plants seen are enough for it: plants don't go back. The bounds of closing are our own
choice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final, Literal

from collarvision.clusters import share_effect
from collarvision.damage import Wait
from collarvision.evidence import PlantEvidence, newest, plausible_stages
from collarvision.field import ShareBelief, share_belief
from collarvision.limitsfile import Limit, Limits
from collarvision.limitwords import (
    CAUTION,
    VerdictWord,
    names_of,
    notes,
    plants_of,
    sentence,
    too_few_words,
    undated_words,
)
from collarvision.sampling import FEWEST_PLANTS
from collarvision.standing import PlantStanding, stand
from collarvision.units import Shown

# From the most to the least restrictive: what a tank mix takes from its members.
STRICTNESS: Final[tuple[VerdictWord, ...]] = ("past", "can't tell", "too early", "closing", "open")

_DOUBT: Final = 0.05
_LAST_DAYS: Final = 7
_WORTH_A_LOOK: Final = 0.005
_MOST_NAMES: Final = 10


@dataclass(frozen=True)
class Verdict:
    """What one limit, or one tank mix, says of a field.

    Attributes
    ----------
    name, method : str
    word : str
        ``too early``, ``open``, ``closing``, ``past`` or ``can't tell``.
    probability : float or None
        That the word holds for the plants seen: past or short of the minimum for those two words,
        inside the limit for the others. None without a usable plant.
    deciding_plants : tuple of str
        Names of the plants that decide, the strongest first, ten at most.
    decided_by : str or None
        ``leaves``, ``height``, ``days before harvest``, ``hail``, ``frost``, or the member of a
        tank mix.
    share_past : (float, float) or None
        Interval that holds the field's own share of plants past the maximum, 95 in 100.
    sentence : str
        For the grower.
    reasons : tuple of str
        Why it can't be told, and what else to know.
    caution : str
    steps : tuple of str
        Those of the reasons that hold the answer back: each says what to do about it.
    """

    name: str
    method: str
    word: VerdictWord
    probability: float | None
    deciding_plants: tuple[str, ...]
    decided_by: str | None
    share_past: tuple[float, float] | None
    sentence: str
    reasons: tuple[str, ...] = ()
    caution: str = CAUTION
    steps: tuple[str, ...] = ()


def judge_all(
    plants: Sequence[PlantEvidence],
    limits: Limits,
    today: date,
    undated: Sequence[PlantEvidence] = (),
    shown: Shown | None = None,
) -> tuple[Verdict, ...]:
    """Judge every limit of a file, then its tank mixes; `undated`, `shown` as `judge` has them."""
    single = {
        limit.name: judge(
            plants,
            limit,
            today,
            planned_harvest=limits.planned_harvest,
            visit_good_days=limits.visit_good_days,
            undated=undated,
            shown=shown,
        )
        for limit in limits.limits
    }
    mixes = []
    for mix in limits.mixes:
        worst = min((single[name] for name in mix.limits), key=lambda v: STRICTNESS.index(v.word))
        mixes.append(
            replace(
                worst,
                name=mix.name,
                method="tank mix",
                decided_by=worst.name,
                sentence=f"{mix.name}: {worst.word}, as its most restrictive part is. "
                + worst.sentence,
            )
        )
    return (*single.values(), *mixes)


def judge(
    plants: Sequence[PlantEvidence],
    limit: Limit,
    today: date,
    *,
    planned_harvest: date | None = None,
    visit_good_days: int = 3,
    undated: Sequence[PlantEvidence] = (),
    shown: Shown | None = None,
) -> Verdict:
    """Judge one limit from the plants of a field.

    Parameters
    ----------
    plants : sequence of PlantEvidence
        Plants seen; those from before `visit_good_days` only count where they are past.
    today : date
        Day that the answer is for.
    undated : sequence of PlantEvidence
        Plants of the field that belong to no visit. They are never counted, but hold the answer
        back where they would change it if they were of this visit, as waiting plants do.
    shown : Shown, optional
        Units of heights in the sentence; by default those that the limit was typed in.
    """
    reasons: list[str] = []
    future = [p for p in plants if p.taken_at is not None and p.taken_at > today]
    known = [p for p in plants if p not in future and (p.decided or p.waiting)]
    if limit.by_height_alone:
        known = [p for p in known if p.height_mm is not None]
    oldest = today - timedelta(days=visit_good_days)
    fresh = [p for p in known if p.taken_at is not None and p.taken_at >= oldest]
    blocking = _too_thin(known, fresh, future, limit, today)
    if fresh and len(fresh) < len(known):
        reasons.append(
            f"{len(known) - len(fresh)} plants without a date, or from before {oldest}, count only "
            "where they are past."
        )
    used = fresh or known
    standing = [stand(p, limit) for p in used if p.decided]
    # A waiting plant that any count leaves on one side belongs to the evidence.
    low, high = ([*standing, *_as_counted(used, limit, end)] for end in (0, 1))
    everyone = [stand(p, limit) for p in known if p.decided] + _as_counted(known, limit, 0)
    word, other, standing = _word(low, limit), _word(high, limit), low
    if {word, other} == {"open", "closing"}:
        word = other = "closing"  # inside either way: no need to wait, only to hurry
    if _word(everyone, limit) == "past" and (
        limit.share_past == 0 or len(everyone) >= FEWEST_PLANTS
    ):
        word, standing, blocking = "past", everyone, []
    elif not (limit.lowest or limit.highest):
        blocking = []
    elif other != word:
        waiting = [p.name for p in used if p.waiting]
        blocking.append(
            f"{plants_of(len(waiting))} waiting for a hand count could change the answer: count "
            f"{names_of(waiting)}."
        )
    elif word == "can't tell":
        doubtful = [s.plant.name for s in _deciding(standing, "past") if s.past >= _WORTH_A_LOOK]
        blocking.append(
            "No plant is surely past the maximum, but it is more likely than not that one of them "
            f"is: check collars and height of {names_of(doubtful)} on the plant."
        )
    if undated and word != "past" and not blocking and (limit.lowest or limit.highest):
        alone = replace(limit, days_before_harvest=None)
        here = [replace(p, taken_at=newest(used)) for p in undated]
        said = undated_words(len(here))
        if judge([*plants, *here], alone, today, visit_good_days=visit_good_days).word == word:
            reasons.append(f"{said}: of this visit, they wouldn't change the answer.")
        else:
            blocking.append(
                f"{said}, and could change the answer: say the day of "
                f"{names_of([p.name for p in here])}."
            )
    if blocking:
        word = "can't tell"
    by_harvest = False
    harvest_word, harvest = _harvest(limit, planned_harvest, today)
    if harvest_word is not None:
        by_harvest = STRICTNESS.index(harvest_word) < STRICTNESS.index(word)
        word = harvest_word if by_harvest else word
        # Past by its plants there is no last day any more, whatever the harvest would allow.
        if word != "past" or harvest_word == "past":
            if limit.lowest or limit.highest:
                # Beside "can't tell" a bare last day would read as leave to wait for it.
                harvest = harvest.replace("The last day is", "By harvest alone the last day is")
            reasons.append(harvest)
    chosen = [] if by_harvest else _deciding(standing, word)
    said = harvest
    if not by_harvest:
        most = _share(standing, [s.past for s in standing]).interval(0.9)[1] if standing else 1.0
        said = sentence(limit, word, standing, chosen, blocking, harvest, most, shown)
    return Verdict(
        name=limit.name,
        method=limit.method,
        word=word,
        probability=None if by_harvest else _probability(standing, limit, word),
        deciding_plants=tuple(s.plant.name for s in chosen[:_MOST_NAMES]),
        decided_by="days before harvest" if by_harvest else _part(chosen, word),
        share_past=_share(standing, [s.past for s in standing]).interval() if standing else None,
        sentence=f"{limit.name} ({limit.method}): {word}. {said} {CAUTION}",
        reasons=(*blocking, *reasons, *notes(standing, limit)),
        steps=(*blocking, *([harvest] if harvest_word == "can't tell" else [])),
    )


def held_back(verdict: Verdict, wait: Wait, *, mix: bool) -> Verdict:
    """Give the verdict on plants that can't be judged yet; what was past stays past.

    Parameters
    ----------
    verdict : Verdict
    wait : Wait
        That the visit was too soon for.
    mix : bool
        Of a tank mix: it goes on naming the member that it follows, which is held back as well.
    """
    if verdict.word == "past":
        return verdict
    return replace(
        verdict,
        word="can't tell",
        probability=None,
        decided_by=verdict.decided_by if mix else wait.kind,
        deciding_plants=(),
        sentence=f"{verdict.name} ({verdict.method}): can't tell. {wait.sentence} {CAUTION}",
        reasons=(wait.sentence, *verdict.reasons),
        steps=(wait.sentence, *verdict.steps),
    )


def _share(standing: Sequence[PlantStanding], probabilities: Sequence[float]) -> ShareBelief:
    """Belief over the field's share, plants of one stop being alike."""
    belongs = [p >= 0.5 for p in probabilities]
    effect = share_effect(belongs, [s.plant.stop for s in standing]).effect
    return share_belief(probabilities, effect)


def _more_than(
    allowed: float, standing: Sequence[PlantStanding], probabilities: Sequence[float]
) -> float:
    """Probability that more plants than allowed belong: any seen for 0, else the field's share."""
    if not probabilities:
        return 0.0
    if allowed == 0:
        return 1 - math.prod(1 - p for p in probabilities)
    return _share(standing, probabilities).above(allowed)


def _word(standing: Sequence[PlantStanding], limit: Limit) -> VerdictWord:
    """The verdict by plants alone, thin or not."""
    # Exactly half of the plants are "at least half": a level answer is not past, nor too early.
    level = 0.5 + 1e-6
    past = near = 0.0
    if limit.highest:
        past = _more_than(limit.share_past, standing, [s.past for s in standing])
        near = _more_than(limit.share_past, standing, [s.near for s in standing])
    if past > level:
        # Many small doubts add up to a likely "one of them", but to no plant that one can show.
        shown = limit.share_past > 0 or any(s.past > level for s in standing)
        return "past" if shown else "can't tell"
    short = [1 - s.reached for s in standing] if limit.lowest else []
    if _more_than(limit.share_short, standing, short) > level:
        return "too early"
    return "closing" if near > level or past > _DOUBT else "open"


def _as_counted(
    plants: Sequence[PlantEvidence], limit: Limit, end: Literal[0, 1]
) -> list[PlantStanding]:
    """Waiting plants as if a person had counted the lowest, or highest, plausible stage."""
    return [
        stand(replace(p, hand_count=plausible_stages(p)[end]), limit) for p in plants if p.waiting
    ]


def _too_thin(
    known: Sequence[PlantEvidence],
    fresh: Sequence[PlantEvidence],
    future: Sequence[PlantEvidence],
    limit: Limit,
    today: date,
) -> list[str]:
    """Why the plants can't carry an answer other than past; empty when they can."""
    found: list[str] = []
    if future:
        found.append(
            f"{plants_of(len(future))} dated after {today}: check the phone's clock. Not counted."
        )
    if not known:
        return [*found, "There is no plant to judge by: photograph or count some."]
    last = newest(known)
    if last is None:
        return [*found, "No plant has a date, so their age isn't known."]
    if not fresh:
        days = (today - last).days
        return [*found, f"The last visit is {days} days old: walk the field again before you act."]
    decided = [p for p in fresh if p.decided]
    if len(decided) < FEWEST_PLANTS:
        found.append(too_few_words(len(decided), sum(p.waiting for p in fresh), FEWEST_PLANTS))
    wants_height = limit.highest.height_mm is not None or (
        limit.lowest.height_mm is not None
        and (limit.lowest.leaves is None or limit.lowest_when == "both")
    )
    heights = sum(p.height_mm is not None for p in fresh)
    if wants_height and heights < min(FEWEST_PLANTS, len(fresh)):
        found.append(
            f"The limit asks for heights and {plants_of(heights)} of {len(fresh)} have one: put "
            "the scale card beside the plants."
        )
    return found


def _harvest(
    limit: Limit, planned_harvest: date | None, today: date
) -> tuple[VerdictWord | None, str]:
    """What the days before harvest say."""
    if limit.days_before_harvest is None:
        return None, ""
    if planned_harvest is None:
        return "can't tell", (
            f"The limit ends {limit.days_before_harvest} days before harvest: add planned_harvest "
            "to your limits file."
        )
    last = planned_harvest - timedelta(days=limit.days_before_harvest)
    said = f"{limit.days_before_harvest} days before the harvest planned for {planned_harvest}"
    if today > last:
        return "past", f"The last day was {last}, {said}."
    near = (last - today).days <= _LAST_DAYS
    return ("closing" if near else "open"), f"The last day is {last}, {said}."


def _deciding(standing: Sequence[PlantStanding], word: VerdictWord) -> list[PlantStanding]:
    """The plants that decide, the strongest first."""

    def weight(s: PlantStanding) -> tuple[float, float, int, float]:
        if word == "too early":
            return (1 - s.reached, 0.0, -(s.plant.best_stage or 0), -(s.plant.height_mm or 0))
        # To the percent: a trace of doubt must not set a smaller plant before a larger one.
        past, near = round(s.past, 2), round(s.near, 2)
        return (past, near, s.plant.best_stage or 0, s.plant.height_mm or 0.0)

    ordered = sorted(standing, key=weight, reverse=True)
    strong = [s for s in ordered if (1 - s.reached if word == "too early" else s.past) >= 0.5]
    if word == "closing":
        strong = [s for s in ordered if s.near >= 0.5]
    return strong or ordered[:_MOST_NAMES]


def _part(chosen: Sequence[PlantStanding], word: VerdictWord) -> str | None:
    """Which part of the limit the deciding plants meet."""
    parts = [s.short_by if word == "too early" else s.past_by for s in chosen]
    parts = [part for part in parts if part is not None]
    return max(parts, key=parts.count) if parts else None


def _probability(
    standing: Sequence[PlantStanding], limit: Limit, word: VerdictWord
) -> float | None:
    if not standing:
        return None
    beyond = [s.past for s in standing] if limit.highest else []
    before = [1 - s.reached for s in standing] if limit.lowest else []
    past = _more_than(limit.share_past, standing, beyond)
    short = _more_than(limit.share_short, standing, before)
    if word == "past":
        return past
    return short if word == "too early" else (1 - past) * (1 - short)
