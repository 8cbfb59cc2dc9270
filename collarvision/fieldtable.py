"""Field table: an answer as text for a terminal, verdicts first."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Sequence
from datetime import date

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from collarvision.answer import stage_name
from collarvision.decision import FieldAnswer, last_harvest_day
from collarvision.fieldhistory import PastVisit
from collarvision.heat import DateSpan
from collarvision.limits import Verdict
from collarvision.table import CAUTION, plain
from collarvision.units import Shown
from collarvision.walk.correction import ZonedField
from collarvision.walk.telling import counted_words, zone_sentences
from collarvision.walk.telling import headline as zone_headline

_NARROW = 76
_WIDE = 105
_BAR = 24
_MUCH_ALIKE = 1.3
_KEPT_SHOWN = 6
_EARLIER_SHOWN = 6
_COLOURS = {
    "open": "green",
    "closing": "yellow",
    "past": "red",
    "too early": "cyan",
    "can't tell": "magenta",
}


def format_answer(
    answer: FieldAnswer, shown: Shown, *, width: int = 80, colour: bool = False
) -> str:
    """Lay an answer out.

    Parameters
    ----------
    answer : FieldAnswer
    shown : Shown
        Units of heights and heat.
    width : int
        Columns of the terminal.
    colour : bool
        Verdicts in colour; words alone say everything.
    """
    console = Console(
        file=io.StringIO(),
        width=max(width, 40),
        force_terminal=colour,
        color_system="standard" if colour else None,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    _head(console, answer)
    if answer.verdicts:
        _verdicts(console, answer)
    _plants(console, answer, shown)
    if answer.above is not None:
        _above(console, answer.above)
    console.print()
    if answer.wait is not None:
        console.print(answer.wait.sentence)
    for note in dict.fromkeys((*answer.notes, *(answer.outlook.notes if answer.outlook else ()))):
        console.print(f"Note: {plain(note)}")
    console.print(CAUTION)
    assert isinstance(console.file, io.StringIO)
    # Rich fills lines up with blanks; text that is piped or pasted should have none.
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines()) + "\n"


def span_words(span: DateSpan | None, today: date) -> str:
    """A span of dates in a few words."""
    if span is None:
        return "–"
    if span.early is None:
        return f"after {span.horizon}"
    if span.late is None:
        return f"{span.early} or later"
    if span.late <= today:
        return f"by {span.late}"
    if span.early == span.late:
        return str(span.early)
    return f"{span.early} to {span.late}"


def headline(answer: FieldAnswer) -> str:
    """Stage and what it rests on."""
    stage = answer.stage
    if stage.stage is None:
        return "No stage yet: no plant has an answer."
    sure = "" if stage.probability is None else f" ({sure_words(stage.probability)} sure)"
    plants = _count(stage.plants, "plant")
    if stage.stop_effect.stops:
        plants += f" at {_count(stage.stop_effect.stops, 'stop')}"
    said = f"{stage_name(stage.stage)}{sure}, from {plants}"
    zoned = answer.above
    if zoned is not None and zoned.plants and len(zoned.zones) > 1:
        by_zones = f"{stage_name(zoned.stage)} ({sure_words(zoned.probability)} sure)"
        if zoned.stage == stage.stage:
            said += f", and by its zones {by_zones}"
        else:
            # A walk over zones has more plants where the field is ahead: all together they mislead.
            said = (
                f"By its zones {by_zones}. Taken together the {plants} make "
                f"{stage_name(stage.stage)}{sure}, but zones weren't walked by their size"
            )
    details = [
        words
        for number, words in (
            (stage.hand_counted, f"{stage.hand_counted} counted by hand"),
            (stage.waiting, f"{stage.waiting} waiting for a hand count"),
            (stage.rejected, _count(stage.rejected, "photo") + " not usable"),
        )
        if number
    ]
    return said + (f"; {', '.join(details)}" if details else "") + "."


def waiting_words(answer: FieldAnswer) -> str | None:
    """Who waits for a hand count and how far that could move the stage."""
    stage = answer.stage
    if not stage.waiting:
        return None
    names = ", ".join(stage.waiting_names[:4])
    names += f" and {stage.waiting - 4} more" if stage.waiting > 4 else ""
    said = f"{_count(stage.waiting, 'plant')} waiting for a hand count: {names}."
    if stage.stage_if_waiting is None:
        return said
    low, high = (stage_name(k) for k in stage.stage_if_waiting)
    if low == high:
        return f"{said} The field's stage stays {low} whatever they turn out to be."
    return f"{said} They could move the field's stage to anything from {low} to {high}."


def height_words(answer: FieldAnswer, shown: Shown) -> str | None:
    """Heights in a sentence."""
    heights = answer.stage.heights
    if heights is None:
        return None
    spread = "" if heights.spread_mm is None else f", spread {shown.height(heights.spread_mm)}"
    return (
        f"Mean {shown.height(heights.mean_mm)}{spread}, tallest tenth "
        f"{shown.height(heights.tallest_tenth_mm)} ({_count(heights.plants, 'plant')})."
    )


def enough_words(answer: FieldAnswer) -> str:
    """Whether plants are enough, and for what share."""
    said = answer.enough.sentence
    if answer.enough.interval is None:
        return said
    said = said.replace(" plants (", f" {answer.enough_for} (", 1)
    if answer.enough.more and answer.stage.stop_effect.effect > _MUCH_ALIKE:
        said += " Fewer will do if they come from more stops."
    return said


def _head(console: Console, answer: FieldAnswer) -> None:
    visit = "no visit date" if answer.visit is None else f"visit of {answer.visit}"
    if answer.visit is not None and answer.visit <= answer.today:
        age = (answer.today - answer.visit).days
        visit += ", today" if age == 0 else f", {_count(age, 'day')} old on {answer.today}"
    console.print(Text(f"{plain(answer.field)} – {visit}", style="bold"))
    console.print(headline(answer))


def _verdicts(console: Console, answer: FieldAnswer) -> None:
    dated = answer.outlook is not None
    harvest = any(last_harvest_day(v.name, answer) for v in answer.verdicts)
    console.print()
    if console.width >= _NARROW:
        table = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
        table.add_column("Limit", overflow="fold", ratio=2)
        table.add_column("Verdict", no_wrap=True)
        table.add_column("Sure", justify="right", no_wrap=True)
        # Dates take the room; the sentences below say the method and what decides.
        roomy = not dated or console.width >= _WIDE
        if roomy:
            table.add_column("Decided by", overflow="fold")
        if dated:
            table.add_column("Opens", overflow="fold")
            table.add_column("Closes", overflow="fold")
        if harvest:
            table.add_column("Last day", overflow="fold")
        for verdict in answer.verdicts:
            method = f" ({plain(verdict.method)})" if roomy else ""
            cells = [Text(plain(verdict.name) + method), _word(verdict)]
            cells.append(Text(sure_of(verdict) or "–"))
            if roomy:
                cells.append(Text(plain(decided_by(verdict) or "–")))
            if dated:
                window = answer.window_of(verdict.name)
                cells.append(Text(span_words(window.opens if window else None, answer.today)))
                cells.append(Text(span_words(window.closes if window else None, answer.today)))
            if harvest:
                cells.append(Text(str(last_harvest_day(verdict.name, answer) or "–")))
            table.add_row(*cells)
        console.print(table)
        if any(sure_of(verdict) for verdict in answer.verdicts):
            console.print("Sure: for the plants seen, not for every plant of the field.")
        console.print()
    shared = common_reasons(answer)
    for verdict in answer.verdicts:
        console.print(
            Text.assemble((f"{plain(verdict.name)}: ", "bold"), _word(verdict), ". ")
            + Text(told(verdict, answer))
        )
        if console.width < _NARROW and dated:
            window = answer.window_of(verdict.name)
            if window and (window.opens or window.closes):
                opens, closes = (span_words(s, answer.today) for s in (window.opens, window.closes))
                console.print(Padding(Text(f"Opens {opens}; closes {closes}."), (0, 0, 0, 2)))
        for reason in own_reasons(verdict, shared):
            console.print(Padding(Text(plain(reason)), (0, 0, 0, 2)))
    for reason in shared:
        console.print(Text(plain(reason)))


def common_reasons(answer: FieldAnswer) -> list[str]:
    """What is said of several limits alike, to be said once."""
    times = Counter(reason for verdict in answer.verdicts for reason in set(verdict.reasons))
    return [
        reason
        for reason, number in times.items()
        if number > 1 and not any(reason in verdict.sentence for verdict in answer.verdicts)
    ]


def own_reasons(verdict: Verdict, shared: Sequence[str]) -> list[str]:
    """What is said of one limit alone and isn't in its sentence."""
    return [
        reason
        for reason in verdict.reasons
        if reason not in verdict.sentence and reason not in shared
    ]


def _word(verdict: Verdict) -> Text:
    return Text(verdict.word.upper(), style=f"bold {_COLOURS[verdict.word]}")


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


def _plants(console: Console, answer: FieldAnswer, shown: Shown) -> None:
    stage = answer.stage
    if stage.distribution:
        console.print()
        table = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
        table.add_column("Stage", no_wrap=True)
        table.add_column("Plants", justify="right", no_wrap=True)
        table.add_column("", no_wrap=True)
        table.add_column("At or past", justify="right", no_wrap=True)
        table.add_column("In the field", no_wrap=True)
        widest = _BAR if console.width >= _NARROW else console.width - 48
        shares = {share.stage: share for share in stage.shares}
        most = max(stage.distribution.values())
        last = max(stage.distribution)
        for k in range(min(stage.distribution), last + 2):
            part = stage.distribution.get(k, 0.0)
            share = shares.get(k)
            if k == last + 1 and share is None:
                continue
            bar = "█" * max(round(part / most * widest), 1) if part else ""
            table.add_row(
                stage_name(k),
                str(round(part * stage.plants)),
                bar,
                "100%" if share is None else f"{share.seen:.0%}",
                "" if share is None else f"{share.interval[0]:.0%} to {share.interval[1]:.0%}",
            )
        console.print(table)
        console.print(
            "In the field: the share at or past a stage, 95 in 100 sure, by sampling and reading "
            "doubt. " + stage.stop_effect.sentence
        )
    console.print()
    facts = Table.grid(padding=(0, 2))
    facts.add_column(no_wrap=True, style="bold")
    facts.add_column()
    heights = height_words(answer, shown)
    if heights:
        facts.add_row("Height", Text(heights))
    facts.add_row("Evenness", Text(stage.evenness))
    facts.add_row("Sample", Text(enough_words(answer)))
    waiting = waiting_words(answer)
    if waiting:
        facts.add_row("Waiting", Text(plain(waiting)))
    if answer.outlook is not None and answer.outlook.pace is not None:
        pace = answer.outlook.pace
        basis = (
            "the published range alone, from one visit"
            if pace.visits == 1
            else f"{pace.visits} visits of this field"
        )
        said = f"A leaf in about {shown.heat(pace.gdd_f_a_leaf)}, by {basis}."
        facts.add_row("Pace", Text(said + (expected_words(answer) or "")))
    for past in answer.earlier[-_EARLIER_SHOWN:]:
        facts.add_row("Earlier", Text(past_words(past, shown)))
    for one in answer.decisions[-_KEPT_SHOWN:]:
        limit = one.limit or str(one.basis.get("limit", ""))
        facts.add_row(
            "Kept", Text(plain(f"{one.decided_at[:10]} {limit}: {one.verdict}, {one.who}"))
        )
    console.print(facts)


def past_words(past: PastVisit, shown: Shown) -> str:
    """An earlier visit in a few words."""
    name = "no stage" if past.stage is None else stage_name(past.stage)
    said = f"{past.day}: {name}, {_count(past.plants, 'plant')}"
    if past.waiting:
        said += f" and {past.waiting} waiting"
    if past.mean_height_mm is not None:
        said += f", mean {shown.height(past.mean_height_mm)}"
    return said


def _above(console: Console, zoned: ZonedField) -> None:
    """The field by the zones of a flight, before and after the plants on the ground."""
    console.print()
    console.print(Text("By zones, from above and after the walk", style="bold"))
    console.print(Text(zone_headline(zoned)))
    table = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for name, right in (
        ("Zone", False),
        ("Of plants", True),
        ("From above", False),
        ("Corrected", False),
        ("Half at", False),
        ("Counted", False),
    ):
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    for one in zoned.zones:
        table.add_row(
            one.zone.letter,
            f"{one.zone.share:.0%}",
            one.before.words,
            one.after.words if zoned.plants else "–",
            stage_name(one.stage) if zoned.plants else "–",
            counted_words(one),
        )
    console.print(table)
    for words in zone_sentences(zoned):
        console.print(Text(words))


def expected_words(answer: FieldAnswer) -> str | None:
    """Collars to expect by heat on the day of the answer, where that is after the visit."""
    day = answer.expected
    if day is None or answer.visit is None or answer.today <= answer.visit:
        return None
    low, middle, high = (value - 0.5 for value in (day.low, day.middle, day.high))
    return (
        f" By heat the mean plant is at {middle:.1f} collars on {answer.today} "
        f"({low:.1f} to {high:.1f})."
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
