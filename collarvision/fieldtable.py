"""Field table: an answer as text for a terminal, verdicts first."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from collarvision.answer import count_of, stage_name
from collarvision.decision import FieldAnswer, last_harvest_day
from collarvision.fieldwords import (
    common_reasons,
    date_reasons,
    date_words,
    decided_by,
    enough_words,
    expected_words,
    headline,
    height_words,
    own_reasons,
    past_words,
    sure_of,
    told,
    undatable_words,
    waiting_words,
)
from collarvision.limits import Verdict
from collarvision.survey import Decision
from collarvision.table import CAUTION, plain
from collarvision.units import Shown
from collarvision.walk.correction import ZonedField
from collarvision.walk.telling import counted_words, zone_sentences
from collarvision.walk.telling import headline as zone_headline

_NARROW = 76
_WIDE = 105
_BAR = 24
_KEPT_SHOWN = 6
_EARLIER_SHOWN = 6
_COLOURS = {
    "open": "green",
    "closing": "yellow",
    "past": "red",
    "too early": "cyan",
    "can't tell": "magenta",
}


@dataclass(frozen=True)
class KeptVerdict:
    """A verdict that was kept before, as it is shown.

    The day that it was judged for, that of its visit and that on which it was saved may all differ:
    whoever reads it later must know which is which.
    """

    limit: str
    verdict: str
    who: str
    judged_for: str
    visit: str
    saved: str


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
    notes = (*answer.notes, *(answer.outlook.notes if answer.outlook else ()))
    for note in dict.fromkeys(one for one in notes if one not in answer.told_first):
        console.print(f"Note: {plain(note)}")
    console.print(CAUTION)
    assert isinstance(console.file, io.StringIO)
    # Rich fills lines up with blanks; text that is piped or pasted should have none.
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines()) + "\n"


def _head(console: Console, answer: FieldAnswer) -> None:
    visit = "no visit date" if answer.visit is None else f"visit of {answer.visit}"
    if answer.visit is not None and answer.visit <= answer.today:
        age = (answer.today - answer.visit).days
        visit += ", today" if age == 0 else f", {count_of(age, 'day')} old on {answer.today}"
    console.print(Text(f"{plain(answer.field)} – {visit}", style="bold"))
    console.print(headline(answer))
    for words in answer.told_first:
        console.print(f"Mind: {plain(words)}")


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
            # By its plants a limit may close long before: a bare "last day" reads as leave.
            table.add_column("Last day\nby harvest", overflow="fold")
        for verdict in answer.verdicts:
            method = f" ({plain(verdict.method)})" if roomy else ""
            cells = [Text(plain(verdict.name) + method), _word(verdict)]
            cells.append(Text(sure_of(verdict) or "–"))
            if roomy:
                cells.append(Text(plain(decided_by(verdict) or "–")))
            if dated:
                window = answer.window_of(verdict.name)
                cells += [Text(words) for words in date_words(window, answer.today)]
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
                opens, closes = date_words(window, answer.today)
                console.print(Padding(Text(f"Opens {opens}; closes {closes}."), (0, 0, 0, 2)))
        for reason in own_reasons(verdict, shared):
            console.print(Padding(Text(plain(reason)), (0, 0, 0, 2)))
    for reason in shared:
        console.print(Text(plain(reason)))
    for reason in date_reasons(answer):
        console.print(Text(f"Dates: {plain(reason)}"))
    if (undatable := undatable_words(answer)) is not None:
        console.print(undatable)


def _word(verdict: Verdict) -> Text:
    return Text(verdict.word.upper(), style=f"bold {_COLOURS[verdict.word]}")


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
            "doubt. " + (stage.stop_words or "")
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
        facts.add_row("Kept", Text(plain(kept_words(one))))
    console.print(facts)


def kept_verdict(decision: Decision) -> KeptVerdict:
    """A verdict that was kept, as it is shown."""
    return KeptVerdict(
        limit=decision.limit or str(decision.basis.get("limit") or "–"),
        verdict=decision.verdict,
        who=decision.who,
        judged_for=str(decision.basis.get("day") or "–"),
        visit=decision.date or "–",
        saved=local_time(decision.decided_at)[:10],
    )


def kept_words(decision: Decision) -> str:
    """A verdict that was kept, with the three days that may differ."""
    kept = kept_verdict(decision)
    return (
        f"{kept.limit}: {kept.verdict}, {kept.who} (judged for {kept.judged_for}, visit "
        f"{kept.visit}, saved {kept.saved})"
    )


def local_time(moment: str) -> str:
    """A stored time by this computer's clock, such as ``2027-05-20 21:05``.

    Surveys keep UTC: in an evening in America that is tomorrow's date already.
    """
    try:
        return datetime.fromisoformat(moment).astimezone().strftime("%Y-%m-%d %H:%M")
    except (ValueError, OverflowError, OSError):
        # What isn't a time, or lies outside the calendar, is shown as it is.
        return moment


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
