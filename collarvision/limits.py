"""Limits: may this field still be treated, by which limit, and which plants say so.

A field is **past** when more of its plants than the limit allows are past the maximum. Labels limit
the crop's stage and set no share, so the share allowed is 0 unless the user sets another: then one
plant seen past the maximum is enough. It is **too early** when more plants are short of the minimum
than allowed (half, by the half rule, unless set otherwise). In between it is **closing** when one
more leaf takes more plants than allowed to their last allowed one, when they stand over 4/5 of the
greatest height, when reading doubt leaves over 1 in 20 that it is past, or in the last week before
the days before harvest begin; else **open**. It is **can't tell** when the plants are too few, too
old, or waiting for a hand count that could change the answer, when many small doubts make it likely
that one of the plants is past and none can be named, or when plants without a date would change the
answer if they were of this visit, or when too many plants lack the height that the limit asks for,
or the most advanced do, or heights that nobody knows may take the field to the minimum. So it is
when all plants are of one stop, when no plant can have both the stage and the height told of one
(by leaves alone: one far too tall by hand), or when a newer visit tells of the day. A share allowed
is passed only where the plants likely past are more of those seen: a laxer limit is never judged
more strictly. Past is said even then, where the plants seen are enough for it, on this visit or
surely on another: plants don't go back. The bounds of closing are our own choice.

Where a limit is by height alone, a plant with a height needs no leaf count. Elsewhere a plant of
which only a height by hand is known can make the answer stricter and never safer. One that waits
for a hand count may be the least or the most that is plausible, or no plant: where that makes
another answer it can't be told, but open or closing is closing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from collarvision.damage import Wait
from collarvision.evidence import PlantEvidence, newest
from collarvision.limitpast import Earlier, seen_again
from collarvision.limitplants import Found, Heard, by_plants, hear, past_for_good, said_of_old
from collarvision.limitsfile import Limit, Limits
from collarvision.limitsteps import (
    days_left,
    doubtful_heights,
    low_words,
    misfit_words,
    mix_reasons,
    small_share_words,
    too_thin,
    unmeasured_words,
    without_height,
)
from collarvision.limitwords import (
    CAUTION,
    STRICTNESS,
    VerdictWord,
    names_of,
    notes,
    past_before,
    plants_of,
    sentence,
    stricter,
    undated_words,
)
from collarvision.standing import TRACE, PlantStanding, advance
from collarvision.tally import beyond, short_of, whole
from collarvision.units import Shown

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
    then : date or None
        Day of the other visit whose plants decide; None where they are of this one.
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
    then: date | None = None


def judge_each(
    plants: Sequence[PlantEvidence],
    limits: Limits,
    today: date,
    undated: Sequence[PlantEvidence] = (),
    shown: Shown | None = None,
    earlier: Earlier = (),
    visit: date | None = None,
) -> tuple[Verdict, ...]:
    """Judge every limit of a file by itself."""
    return tuple(
        judge(
            plants,
            limit,
            today,
            planned_harvest=limits.planned_harvest,
            visit_good_days=limits.visit_good_days,
            undated=undated,
            shown=shown,
            earlier=earlier,
            visit=visit,
        )
        for limit in limits.limits
    )


def with_mixes(verdicts: Sequence[Verdict], limits: Limits) -> tuple[Verdict, ...]:
    """Add a file's tank mixes to the verdicts on its limits: each is as strict as its strictest."""
    single = {one.name: one for one in verdicts}
    mixes = []
    for mix in limits.mixes:
        worst = min((single[name] for name in mix.limits), key=_laxness)
        members = [limit for limit in limits.limits if limit.name in mix.limits]
        mixes.append(
            replace(
                worst,
                name=mix.name,
                method="tank mix",
                decided_by=worst.name,
                sentence=f"{mix.name}: {worst.word}, as its most restrictive part is. "
                + worst.sentence,
                reasons=mix_reasons(worst.reasons, worst.word, members, limits.planned_harvest),
            )
        )
    return (*single.values(), *mixes)


def _laxness(verdict: Verdict) -> tuple[int, float]:
    """For sorting, the strictest first: of one word the surer past, but the less sure open."""
    sure = 1.0 if verdict.probability is None else verdict.probability  # None is by harvest alone
    sign = {"past": -1, "too early": -1, "can't tell": 0}.get(verdict.word, 1)
    return STRICTNESS.index(verdict.word), sign * sure


def judge(
    plants: Sequence[PlantEvidence],
    limit: Limit,
    today: date,
    *,
    planned_harvest: date | None = None,
    visit_good_days: int = 3,
    undated: Sequence[PlantEvidence] = (),
    shown: Shown | None = None,
    earlier: Earlier = (),
    visit: date | None = None,
) -> Verdict:
    """Judge one limit from the plants of a field.

    Parameters
    ----------
    plants : sequence of PlantEvidence
        Plants seen; those from before `visit_good_days` count only where that is stricter.
    today : date
        Day that the answer is for.
    undated : sequence of PlantEvidence
        Plants of the field that belong to no visit. They are never counted, but hold the answer
        back where they would change it if they were of this visit, as waiting plants do.
    shown : Shown, optional
        Units of heights in the sentence; by default those that the limit was typed in.
    earlier : sequence of (date, plants)
        Other visits of this crop, those after `today` without a say. Where one was surely past on
        its own day the field is past; one that only may have been is noted. One that is newer than
        the plants seen holds every other answer back.
    visit : date, optional
        Day of the visit of the plants; by default that of the newest of them by its photo.
    """
    heard = hear(plants, limit, today, visit_good_days)
    found, reasons = past_for_good(by_plants(heard, limit), heard, earlier, limit, today)
    reasons += said_of_old(found, heard)
    word = found.word
    blocking = _not_enough(found, heard, limit, today, earlier, visit)
    unmeasured = without_height(plants, limit, today)
    by_heights: list[str] = []
    if word != "past" and not blocking:
        blocking = by_heights = _heights_missing(found, heard, unmeasured, limit, shown)
    if undated and word != "past" and not blocking and (limit.lowest or limit.highest):
        here = [replace(p, taken_at=newest(heard.used)) for p in undated]
        alone = replace(limit, days_before_harvest=None)
        with_them = judge([*plants, *here], alone, today, visit_good_days=visit_good_days)
        if with_them.word == word:
            said = f"{undated_words(len(here))}: of this visit, they wouldn't change the answer."
            reasons.append(said)
        else:
            blocking = [_undated_step(here)]
    if blocking:
        word = "can't tell"
    harvest_word, harvest = days_left(limit, planned_harvest, today, newest(heard.seen))
    by_harvest = harvest_word is not None and stricter(harvest_word, word)
    if harvest_word is not None and by_harvest:
        word = harvest_word
    # Past by its plants there is no last day any more, whatever the harvest would allow.
    if harvest_word is not None and (word != "past" or harvest_word == "past"):
        reasons.append(harvest)
    chosen = [] if by_harvest else _deciding(found.standing, word, limit)
    share = found.share(limit)
    said = harvest
    if not by_harvest:
        said = sentence(limit, word, found.standing, chosen, blocking, harvest, share, shown)
    if word == "past" and not by_harvest:
        if found.then is not None:
            said = f"{said} That was on {found.then}, and plants don't go back."
        reasons += _past_rests_on(found, heard, chosen, limit, shown)
    reasons += doubtful_heights(found.standing, limit, word)
    bare = len(unmeasured) if heard.known and not by_heights else None  # None where that was said
    return Verdict(
        name=limit.name,
        method=limit.method,
        word=word,
        probability=None if by_harvest else _probability(found, limit, word),
        deciding_plants=tuple(s.plant.name for s in chosen[:_MOST_NAMES]),
        decided_by="days before harvest" if by_harvest else _part(chosen, word),
        share_past=share.interval if share else None,
        sentence=f"{limit.name} ({limit.method}): {word}. {said} {CAUTION}",
        reasons=(*blocking, *reasons, *notes(found.standing, limit, heard.apart, shown, bare)),
        steps=(*blocking, *([harvest] if harvest_word == "can't tell" else [])),
        then=found.then,
    )


def _not_enough(
    found: Found, heard: Heard, limit: Limit, today: date, earlier: Earlier, visit: date | None
) -> list[str]:
    """Steps to an answer that the plants can't give yet; empty where they can."""
    if found.for_good or not (limit.lowest or limit.highest):
        return []
    return [
        *seen_again(earlier, heard.seen, limit, today, visit),
        *too_thin(heard.known, heard.fresh, heard.future, limit, today, heard.bare),
        *misfit_words(heard.known, limit),
        *_undecided(found, limit),
    ]


def _undecided(found: Found, limit: Limit) -> list[str]:
    """What would decide, where plants that wait or many small doubts leave two answers."""
    if found.differ:
        # Three are named: first who may be past at the most, then who may be at the minimum or not.
        low, high = ([s for s in found.deciding[end] if s.waits] for end in (0, -1))
        moves = [
            ((round(most.past, 2), most.reached - least.reached, advance(most, limit)), most)
            for least, most in zip(low, high, strict=True)
        ]
        moves.sort(key=lambda one: one[0], reverse=True)
        waiting = [most.plant.name for _, most in moves]
        return [
            f"{plants_of(len(waiting))} waiting for a hand count could change the answer: count "
            f"{names_of(waiting)}."
        ]
    if found.word != "can't tell":
        return []
    chosen = _deciding(found.standing, "past", limit)
    doubtful = [s.plant.name for s in chosen if s.past >= _WORTH_A_LOOK]
    of_them = "one of them is" if limit.share_past == 0 else "more of them are than may be"
    return [
        small_share_words(found.standing, limit)
        or "No plant is surely past the maximum, but it is more likely than not that "
        f"{of_them}: check collars and height of {names_of(doubtful)} on the plant."
    ]


def _heights_missing(
    found: Found,
    heard: Heard,
    unmeasured: Sequence[PlantEvidence],
    limit: Limit,
    shown: Shown | None,
) -> list[str]:
    """Which heights would decide; empty where none would."""
    steps = unmeasured_words(unmeasured, heard.judged, limit)
    if steps or found.word != "too early":
        return steps
    return next(filter(None, (low_words(case, limit, shown) for case in found.each)), [])


def _undated_step(plants: Sequence[PlantEvidence]) -> str:
    names = names_of([p.name for p in plants])
    return f"{undated_words(len(plants))}, and could change the answer: say the day of {names}."


def _past_rests_on(
    found: Found,
    heard: Heard,
    chosen: Sequence[PlantStanding],
    limit: Limit,
    shown: Shown | None,
) -> list[str]:
    """What makes a field past, where a grower must look at that again: it may be a slip."""
    if found.then is not None:
        return [past_before(found.then, chosen, limit, shown)]
    resting = {s.plant.name for s in chosen}
    return misfit_words([p for p in heard.seen if p.name in resting], limit)


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
    decided_by = verdict.decided_by if mix else wait.kind
    return cannot_tell(verdict, decided_by, wait.sentence)


def cannot_tell(verdict: Verdict, decided_by: str | None, step: str) -> Verdict:
    """Take a verdict back; `step` says why, and what to do."""
    return replace(
        verdict,
        word="can't tell",
        probability=None,
        decided_by=decided_by,
        deciding_plants=(),
        sentence=f"{verdict.name} ({verdict.method}): can't tell. {step} {CAUTION}",
        reasons=(step, *verdict.reasons),
        steps=(step, *verdict.steps),
    )


def _deciding(
    standing: Sequence[PlantStanding], word: VerdictWord, limit: Limit
) -> list[PlantStanding]:
    """The plants that decide, the strongest first."""
    if word == "too early":
        standing = whole(standing, limit)

    def weight(s: PlantStanding) -> tuple[float, float, int, float]:
        stage, height = advance(s, limit)
        if word == "too early":
            return (1 - s.reached, 0.0, -stage, -height)
        # To the percent: a trace of doubt must not set a smaller plant before a larger one.
        past, near = (round(p, 2) if p >= TRACE else 0.0 for p in (s.past, s.near))
        return (past, near, stage, height)

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


def _probability(found: Found, limit: Limit, word: VerdictWord) -> float | None:
    """That the word holds, in the case that makes it least likely; past as its plants stand."""
    if not found.standing:
        return None
    if word == "past":
        return beyond(found.standing, limit, near=False)
    older = [beyond(case, limit, near=False) for one in found.older for case in one]
    least = max(older, default=0.0)
    chances = []
    for case in found.each:
        past, short = max(least, beyond(case, limit, near=False)), short_of(case, limit)
        chances.append((1 - past) * (short if word == "too early" else 1 - short))
    return min(chances)
