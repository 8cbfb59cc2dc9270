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
from datetime import date, timedelta
from typing import Final

from collarvision.damage import Wait
from collarvision.evidence import PlantEvidence, newest
from collarvision.limitage import maximum_of, since, with_older, word_of_cases
from collarvision.limitpast import Earlier, past_earlier, seen_again, seen_past
from collarvision.limitsfile import Limit, Limits
from collarvision.limitsteps import (
    days_left,
    doubtful_heights,
    low_words,
    misfit_words,
    mix_reasons,
    old_words,
    small_share_words,
    too_thin,
    unmeasured_words,
    without_height,
)
from collarvision.limitwords import (
    CAUTION,
    VerdictWord,
    names_of,
    notes,
    past_before,
    plants_of,
    sentence,
    undated_words,
)
from collarvision.standing import TRACE, PlantStanding, advance, answers
from collarvision.tally import (
    beyond,
    cases,
    more_past,
    past_share,
    short_of,
    whole,
)
from collarvision.units import Shown

# From the most to the least restrictive: what a tank mix takes from its members.
STRICTNESS: Final[tuple[VerdictWord, ...]] = ("past", "can't tell", "too early", "closing", "open")

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
    reasons: list[str] = []
    future = [p for p in plants if p.taken_at is not None and p.taken_at > today]
    seen = [p for p in plants if p not in future]
    known = [p for p in seen if answers(p, limit)]
    apart = [p for p in seen if p.height_only and not answers(p, limit)]
    # A limit without a greatest height has no use for those, but to note them.
    tall = apart if limit.highest.height_mm is not None else []
    oldest = today - timedelta(days=visit_good_days)
    fresh = since(known, oldest)
    bare = sum((p.decided or p.waiting) and not answers(p, limit) for p in seen)
    blocking = seen_again(earlier, seen, limit, today, visit)
    blocking += too_thin(known, fresh, len(future), limit, today, bare)
    used = fresh or known
    blocking += misfit_words(known, limit)
    by_hand = since(tall, oldest) if fresh else tall
    # Waiting plants that leave the word as it is, whatever they are, belong to the evidence.
    each = cases([*used, *by_hand], limit)
    word, differ = word_of_cases(each, limit)
    deciding = each
    older = [cases(some, limit) for some in with_older([*known, *tall], oldest)] if fresh else []
    for every in older:
        then_word, then_differ = word_of_cases(every, maximum_of(limit))
        if STRICTNESS.index(then_word) < STRICTNESS.index(word):
            word, differ, deciding = then_word, then_differ, every
    # Who waits is told by the most that it may be; without a maximum by the least.
    by_most = word == "too early" or (limit.highest and word in ("open", "closing"))
    standing = deciding[-1 if by_most else 0]
    then: date | None = None  # day of the other visit that says past, where only that one does
    everyone = seen_past(seen, limit)
    if everyone is None:
        then, everyone, doubts = past_earlier(earlier, limit, today)
        reasons += doubts
    too = everyone is None and deciding is not each
    old = len(known) - len(fresh) + (len(tall) - len(by_hand) if too else 0)
    if fresh and old:
        reasons.append(old_words(old, oldest, too=too))
    if everyone is not None:
        word, standing, blocking = "past", everyone, []
    elif not (limit.lowest or limit.highest):
        blocking = []
    elif differ:
        waiting = [s.plant.name for s in deciding[0] if s.waits]
        blocking.append(
            f"{plants_of(len(waiting))} waiting for a hand count could change the answer: count "
            f"{names_of(waiting)}."
        )
    elif word == "can't tell":
        chosen = _deciding(standing, "past", limit)
        doubtful = [s.plant.name for s in chosen if s.past >= _WORTH_A_LOOK]
        of_them = "one of them is" if limit.share_past == 0 else "more of them are than may be"
        blocking.append(
            small_share_words(standing, limit)
            or "No plant is surely past the maximum, but it is more likely than not that "
            f"{of_them}: check collars and height of {names_of(doubtful)} on the plant."
        )
    unmeasured = without_height(plants, limit, today)
    heights_said = not known
    if word != "past" and not blocking:
        blocking = unmeasured_words(unmeasured, [*used, *by_hand], limit)
        if word == "too early" and not blocking:
            said_low = (low_words(case, limit, shown) for case in each)
            blocking = next(filter(None, said_low), [])
        heights_said = heights_said or bool(blocking)
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
    harvest_word, harvest = days_left(limit, planned_harvest, today, newest(seen))
    if harvest_word is not None:
        by_harvest = STRICTNESS.index(harvest_word) < STRICTNESS.index(word)
        word = harvest_word if by_harvest else word
        # Past by its plants there is no last day any more, whatever the harvest would allow.
        if word != "past" or harvest_word == "past":
            reasons.append(harvest)
    chosen = [] if by_harvest else _deciding(standing, word, limit)
    said = harvest
    share = past_share(standing, limit)
    if too:  # whose old plants never make a share smaller either
        share = more_past(share, past_share(each[-1 if by_most else 0], limit))
    if not by_harvest:
        said = sentence(limit, word, standing, chosen, blocking, harvest, share, shown)
        if then is not None and word == "past":
            said = f"{said} That was on {then}, and plants don't go back."
            reasons.append(past_before(then, chosen, limit, shown))
        elif word == "past":  # either half may be the slip: a grower must hear what it rests on
            resting = {s.plant.name for s in chosen}
            reasons += misfit_words([p for p in seen if p.name in resting], limit)
    reasons += doubtful_heights(standing, limit, word)
    bare_said = None if heights_said else len(unmeasured)
    return Verdict(
        name=limit.name,
        method=limit.method,
        word=word,
        probability=None if by_harvest else _probability(standing, each, older, limit, word),
        deciding_plants=tuple(s.plant.name for s in chosen[:_MOST_NAMES]),
        decided_by="days before harvest" if by_harvest else _part(chosen, word),
        share_past=share.interval if share else None,
        sentence=f"{limit.name} ({limit.method}): {word}. {said} {CAUTION}",
        reasons=(*blocking, *reasons, *notes(standing, limit, apart, shown, bare_said)),
        steps=(*blocking, *([harvest] if harvest_word == "can't tell" else [])),
        then=then,
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


def _probability(
    standing: Sequence[PlantStanding],
    each: Sequence[Sequence[PlantStanding]],
    older: Sequence[Sequence[Sequence[PlantStanding]]],
    limit: Limit,
    word: VerdictWord,
) -> float | None:
    """That the word holds, in the case that makes it least likely; past as its plants stand."""
    if not standing:
        return None
    if word == "past":
        return beyond(standing, limit, near=False)
    found = []
    least = max((beyond(case, limit, near=False) for one in older for case in one), default=0.0)
    for case in each:
        past, short = max(least, beyond(case, limit, near=False)), short_of(case, limit)
        found.append((1 - past) * (short if word == "too early" else 1 - short))
    return min(found)
