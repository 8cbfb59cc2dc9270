"""Page: the templates filled in and written, whole or not at all.

The file needs nothing beside it: style, drawings and pictures are inside, it runs no script and
says so to the browser. Every word that came from a person or a file is escaped by the templates.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from collarvision.answer import stage_name
from collarvision.damage import LONGEST_WAIT_DAYS, SHORTEST_WAIT_DAYS, USUAL_WAIT_DAYS
from collarvision.decision import FieldAnswer, last_harvest_day
from collarvision.fieldtable import kept_verdict
from collarvision.fieldwords import (
    common_reasons,
    date_reasons,
    date_words,
    enough_words,
    expected_words,
    headline,
    headline_stage,
    height_words,
    own_reasons,
    past_words,
    sure_of,
    sure_words,
    told,
    undatable_words,
    waiting_words,
)
from collarvision.limits import Verdict
from collarvision.limitsfile import Bound, Limit
from collarvision.limitwords import bound_words
from collarvision.report.fieldmap import draw_map, map_stops
from collarvision.report.filling import drawing, fill
from collarvision.report.plots import distribution, heights
from collarvision.report.sheet import OTHERS_ARE, Sheet, make_sheet, missing_words, named_by
from collarvision.report.stalkdrawing import draw_stalk
from collarvision.report.windowplot import draw_window
from collarvision.report.zoneplot import draw_zone_ranges
from collarvision.splitstalk import KNOWN_ERROR, STEPS
from collarvision.table import DOUBTFUL_HEIGHT
from collarvision.units import Shown
from collarvision.walk.telling import headline as zone_headline
from collarvision.walk.telling import zone_sentences
from collarvision.wholefile import write_whole

# A sign beside each word, so that a verdict is told apart without colour.
_SIGNS = {"open": "✓", "closing": "!", "past": "✕", "too early": "…", "can't tell": "?"}
_KEPT_SHOWN = 12
_KINDS = {
    "open": "open",
    "closing": "closing",
    "past": "past",
    "too early": "early",
    "can't tell": "unknown",
}


@dataclass(frozen=True)
class Card:
    """A verdict as the page shows it."""

    name: str
    method: str
    word: str
    sign: str
    kind: str
    sure: str | None
    said: str
    dates: tuple[tuple[str, str], ...]
    plants: tuple[str, ...]
    plants_are: str
    by: str | None
    reasons: tuple[str, ...]
    caution: str


def write_report(answer: FieldAnswer, path: Path, shown: Shown) -> str | None:
    """Write a field's report; gives what to say of photos that it can't show, if there are any.

    Raises
    ------
    collarvision.writing.OutputError
        When the file can't be written.
    """
    sheet = make_sheet(answer, shown)
    write_whole(path, report_page(answer, shown, sheet))
    return missing_words(sheet)


def report_page(answer: FieldAnswer, shown: Shown, sheet: Sheet | None = None) -> str:
    """Give the report as one HTML document; the sheet of photos is made unless it is given."""
    sheet = sheet or make_sheet(answer, shown)
    shared = common_reasons(answer)
    outlook = answer.outlook
    return fill(
        "report.html.j2",
        answer=answer,
        headline=headline(answer),
        by_zones=headline_stage(answer) != answer.stage.stage,
        age=None if answer.visit is None else (answer.today - answer.visit).days,
        cards=[_card(verdict, answer, shared) for verdict in answer.verdicts],
        shared=shared,
        distribution=drawing(distribution(answer)),
        shares=[
            (
                stage_name(share.stage),
                f"{share.seen:.0%}",
                f"{share.interval[0]:.0%} to {share.interval[1]:.0%}",
                sure_words(share.at_least_half),
            )
            for share in answer.stage.shares
            if share.stage >= min(answer.stage.distribution)
        ],
        enough=enough_words(answer),
        waiting=waiting_words(answer),
        heights=drawing(heights(answer, shown)),
        height_words=height_words(answer, shown),
        window=drawing(draw_window(answer, shown)),
        pace=None
        if outlook is None or outlook.pace is None
        else (shown.heat(outlook.pace.gdd_f_a_leaf), outlook.pace.visits),
        expected=expected_words(answer),
        window_notes=_window_notes(answer),
        map=drawing(draw_map(answer)),
        above=answer.above,
        zone_headline=None if answer.above is None else zone_headline(answer.above),
        zone_ranges=None if answer.above is None else drawing(draw_zone_ranges(answer.above)),
        zone_of=dict(answer.above.positions) if answer.above else {},
        zone_rows=[
            (one, stage_name(one.stage)) for one in (answer.above.zones if answer.above else ())
        ],
        zone_sentences=[
            words.replace("+-", "±")
            for words in (zone_sentences(answer.above) if answer.above else ())
        ],
        stops=[(stop, stage_name) for stop in map_stops(answer.plants)],
        sheet=sheet,
        missing=missing_words(sheet),
        doubtful_height=DOUBTFUL_HEIGHT,
        limits=[
            (limit, _bound(limit, limit.lowest), _bound(limit, limit.highest))
            for limit in (answer.limits.limits if answer.limits else ())
        ],
        kept=[kept_verdict(one) for one in answer.decisions[-_KEPT_SHOWN:]],
        earlier=[past_words(past, shown) for past in answer.earlier],
        stalk=drawing(draw_stalk()),
        steps=STEPS,
        known_error=KNOWN_ERROR,
        waits=(SHORTEST_WAIT_DAYS, USUAL_WAIT_DAYS, LONGEST_WAIT_DAYS),
    )


def write_split_stalk_page(path: Path) -> None:
    """Write the split-stalk count as a page of its own.

    Raises
    ------
    collarvision.writing.OutputError
        When the file can't be written.
    """
    page = fill(
        "splitstalk.html.j2", stalk=drawing(draw_stalk()), steps=STEPS, known_error=KNOWN_ERROR
    )
    write_whole(path, page)


def _card(verdict: Verdict, answer: FieldAnswer, shared: list[str]) -> Card:
    window = answer.window_of(verdict.name)
    dates = []
    opens, closes = date_words(window, answer.today)
    if opens != "–":
        dates.append(("Opens", opens))
    if closes != "–":
        dates.append(("Closes", closes))
    last = last_harvest_day(verdict.name, answer)
    if last is not None:
        dates.append(("Last day by harvest", str(last)))
    single = answer.limit_of(verdict.name) is not None
    named = named_by(verdict)
    by = {"leaves": "leaves", "height": "height"}.get(verdict.decided_by or "")
    return Card(
        name=verdict.name,
        method=verdict.method,
        word=verdict.word,
        sign=_SIGNS[verdict.word],
        kind=_KINDS[verdict.word],
        sure=sure_of(verdict),
        said=told(verdict, answer),
        dates=tuple(dates),
        plants=tuple(
            name
            for name in verdict.deciding_plants
            if single and verdict.word in OTHERS_ARE and name not in named
        ),
        plants_are=OTHERS_ARE.get(verdict.word, ""),
        by=by if single and verdict.word != "can't tell" else None,
        reasons=tuple(own_reasons(verdict, shared)),
        caution=verdict.caution,
    )


def _window_notes(answer: FieldAnswer) -> list[str]:
    if answer.outlook is None:
        return []
    reasons = date_reasons(answer)
    undatable = undatable_words(answer)
    if undatable is not None:
        reasons.insert(0, undatable)
    return list(dict.fromkeys([*reasons, *answer.outlook.notes]))


def _bound(limit: Limit, bound: Bound) -> str:
    when = limit.lowest_when if bound is limit.lowest else limit.highest_when
    return bound_words(bound, limit.leaf, when) if bound else "–"
