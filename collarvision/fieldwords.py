"""Field words: what an answer says, in the sentences that the table and the report share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date

from collarvision.answer import count_of, stage_name
from collarvision.decision import FieldAnswer
from collarvision.field import FieldStage
from collarvision.fieldhistory import PastVisit
from collarvision.heat import DateSpan
from collarvision.limits import Verdict
from collarvision.table import plain
from collarvision.units import Shown
from collarvision.walk.correction import ZonedField
from collarvision.window import Told, Window

_MUCH_ALIKE = 1.3


def span_words(span: DateSpan | None, today: date, told: Told = "told") -> str:
    """A span of dates in a few words."""
    if span is None or told == "unknown":
        return "–"
    if told == "at the latest" and (span.late is None or span.late > today):
        return f"{span_words(span, today)} at the latest"
    if told == "not before" and span.early is not None:
        return f"not before {span.early}"
    if span.early is None:
        return f"after {span.horizon}"
    if span.late is None:
        return f"{span.early} or later"
    if span.late <= today:
        return f"by {span.late}"
    if span.early == span.late:
        return str(span.early)
    return f"{span.early} to {span.late}"


def date_words(window: Window | None, today: date) -> tuple[str, str]:
    """When a limit opens and closes, in a few words each."""
    if window is None:
        return "–", "–"
    return (
        span_words(window.opens, today, window.opens_told),
        span_words(window.closes, today, window.closes_told),
    )


def date_reasons(answer: FieldAnswer) -> list[str]:
    """What to know of the dates told, each once: a mix repeats what its members say."""
    past = {one.name for one in answer.verdicts if one.word == "past"}
    windows = [
        told
        for one in (answer.outlook.windows if answer.outlook else ())
        if (told := answer.window_of(one.name)) is not None and one.name not in past
    ]
    members = {f"{one.name}: {reason}" for one in windows for reason in one.reasons}
    reasons = [reason for one in windows for reason in one.reasons if reason not in members]
    return list(dict.fromkeys(reasons))


def headline(answer: FieldAnswer) -> str:
    """Stage and what it rests on."""
    stage = answer.stage
    if stage.stage is None:
        return f"No stage yet: no plant has an answer{_details(stage)}."
    but = "" if stage.settled else " without those that wait"
    sure = "" if stage.probability is None else f" ({sure_words(stage.probability)} sure{but})"
    plants = count_of(stage.plants, "plant")
    if stage.stop_effect.stops:
        without = stage.stop_effect.without
        plants += f" at {count_of(stage.stop_effect.stops, 'stop')}"
        plants += f" and {without} without a stop" if without else ""
    said = f"{stage_name(stage.stage)}{sure}, from {plants}"
    zoned = _by_zones(answer)
    if zoned is not None:
        by_zones = f"{stage_name(zoned.stage)} ({sure_words(zoned.probability)} sure)"
        if zoned.stage == stage.stage:
            said += f", and by its zones {by_zones}"
        else:
            # A walk over zones has more plants where the field is ahead: all together they mislead.
            said = (
                f"By its zones {by_zones}. Taken together the {plants} make "
                f"{stage_name(stage.stage)}{sure}, but zones weren't walked by their size"
            )
    return f"{said}{_details(stage)}."


def _details(stage: FieldStage) -> str:
    """What became of the photos, where that needs saying."""
    details = [
        words
        for number, words in (
            (stage.hand_counted, f"{stage.hand_counted} counted by hand"),
            (stage.waiting, f"{stage.waiting} waiting for a hand count"),
            (stage.rejected, count_of(stage.rejected, "photo") + " not usable"),
        )
        if number
    ]
    return f"; {', '.join(details)}" if details else ""


def headline_stage(answer: FieldAnswer) -> int | None:
    """The stage that the headline begins with: by the zones where they were walked."""
    zoned = _by_zones(answer)
    return answer.stage.stage if zoned is None else zoned.stage


def _by_zones(answer: FieldAnswer) -> ZonedField | None:
    zoned = answer.above
    return zoned if zoned is not None and zoned.plants and len(zoned.zones) > 1 else None


def waiting_words(answer: FieldAnswer) -> str | None:
    """Who waits for a hand count and how far that could move the stage."""
    stage = answer.stage
    if not stage.waiting:
        return None
    names = ", ".join(stage.waiting_names[:4])
    names += f" and {stage.waiting - 4} more" if stage.waiting > 4 else ""
    said = f"{count_of(stage.waiting, 'plant')} waiting for a hand count: {names}."
    if stage.stage_if_waiting is None:
        return said
    low, high = (stage_name(k) for k in stage.stage_if_waiting)
    one = stage.waiting == 1
    # By its zones a field may be told at another stage, which these don't speak of.
    of_field = headline_stage(answer) == stage.stage
    which = "the field's stage" if of_field else "the stage of all plants together"
    if stage.settled:
        turn = "it turns" if one else "they turn"
        return f"{said} {which.capitalize()} stays {low} whatever {turn} out to be."
    return f"{said} {'It' if one else 'They'} could move {which} to anything from {low} to {high}."


def height_words(answer: FieldAnswer, shown: Shown) -> str | None:
    """Heights in a sentence."""
    heights = answer.stage.heights
    if heights is None:
        return None
    spread = "" if heights.spread_mm is None else f", spread {shown.height(heights.spread_mm)}"
    return (
        f"Mean {shown.height(heights.mean_mm)}{spread}, tallest tenth "
        f"{shown.height(heights.tallest_tenth_mm)} ({count_of(heights.plants, 'plant')})."
    )


def enough_words(answer: FieldAnswer) -> str:
    """Whether plants are enough, and for what share."""
    said = answer.enough.sentence
    if answer.enough.more:
        # A verdict asks for fewer plants than a share does: say which of the two this number is.
        said = f"{said.removesuffix('.')} for ±{answer.precision * 100:.3g} in 100."
    if answer.enough.interval is None:
        return said
    said = said.replace(" plants (", f" {answer.enough_for} (", 1)
    said = said.replace(" plant (", f" {answer.enough_for.replace('plants', 'plant', 1)} (", 1)
    zoned = _by_zones(answer)
    if answer.enough.more and zoned is not None and zoned.enough:
        # Two numbers of plants still to be walked for would be one too many.
        known = said.partition("): about ")[0]
        return (
            f"{known}). By its zones the field has enough; without them about "
            f"{count_of(answer.enough.more, 'plant')} would be missing."
        )
    if answer.enough.more and answer.stage.stop_effect.effect > _MUCH_ALIKE:
        said += " Fewer will do if they come from more stops."
    return said


def common_reasons(answer: FieldAnswer) -> list[str]:
    """What is said of several limits alike, to be said once: first what there is to do."""
    each = [dict.fromkeys(verdict.reasons) for verdict in answer.verdicts]
    times = Counter(reason for reasons in each for reason in reasons)
    steps = {step for verdict in answer.verdicts for step in verdict.steps}
    shared = [
        reason
        for reason, number in times.items()
        if number > 1 and not any(reason in verdict.sentence for verdict in answer.verdicts)
    ]
    return sorted(shared, key=lambda reason: reason not in steps)


def own_reasons(verdict: Verdict, shared: Sequence[str]) -> list[str]:
    """What is said of one limit alone and isn't in its sentence."""
    return [
        reason
        for reason in verdict.reasons
        if reason not in verdict.sentence and reason not in shared
    ]


def told(verdict: Verdict, answer: FieldAnswer) -> str:
    """The sentence without what stands before it already, and without the caution said below."""
    if answer.limit_of(verdict.name) is None:
        return f"As its most restrictive part is: {plain(verdict.decided_by or '')}."
    said = verdict.sentence.removesuffix(verdict.caution).strip()
    return plain(said.removeprefix(f"{verdict.name} ({verdict.method}): {verdict.word}. "))


def sure_of(verdict: Verdict) -> str | None:
    """How sure a verdict is; nothing where it says that it can't be told."""
    if verdict.probability is None or verdict.word == "can't tell":
        return None
    return sure_words(verdict.probability)


def decided_by(verdict: Verdict) -> str | None:
    """What decides a verdict, where something does."""
    return None if verdict.word == "can't tell" else verdict.decided_by


def sure_words(probability: float) -> str:
    """A probability that never says 0 or 100 in 100: people who count err too, if rarely."""
    if probability < 0.01:
        return "under 1%"
    return "over 99%" if probability > 0.99 else f"{probability:.0%}"


def past_words(past: PastVisit, shown: Shown) -> str:
    """An earlier visit in a few words."""
    name = "no stage" if past.stage is None else stage_name(past.stage)
    said = f"{past.day}: {name}, {count_of(past.plants, 'plant')}"
    if past.waiting:
        said += f" and {past.waiting} waiting"
    if past.mean_height_mm is not None:
        said += f", mean {shown.height(past.mean_height_mm)}"
    return said


def undatable_words(answer: FieldAnswer) -> str | None:
    """Why limits have no dates though there are temperatures."""
    names = answer.undatable
    if answer.outlook is None or not names:
        return None
    if len(names) == len(answer.verdicts):
        return "No dates: none of the limits can be told yet."
    return f"No dates for what can't be told yet: {', '.join(plain(name) for name in names)}."


def expected_words(answer: FieldAnswer) -> str | None:
    """Collars to expect by heat on the day of the answer, where that is after the visit."""
    day = answer.expected
    if day is None or answer.visit is None or answer.today <= answer.visit:
        return None
    return (
        f" By heat the mean plant is at {day.middle:.1f} collars on {answer.today} "
        f"({day.low:.1f} to {day.high:.1f})."
    )
