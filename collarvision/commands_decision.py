"""Commands from a survey to a decision: words in, calls to the rooms out."""

from __future__ import annotations

import shutil
import sys
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from collarvision.answer import count_of
from collarvision.commandline import (
    EXIT_MODEL,
    EXIT_OUTPUT,
    choice,
    day_of,
    end_with,
    number,
    path_named,
    say,
    see_target,
)

if TYPE_CHECKING:
    from collarvision.decision import FieldAnswer
    from collarvision.fieldvisits import FieldVisits
    from collarvision.outlook import Outlook
    from collarvision.walk.correction import ZonedField


FIELD_EPILOG = """\b
Exit status:
  0    the field was judged, whatever the verdict is
  2    the command, the limits file or a table of temperatures was not
       understood
  3    the survey could not be opened, or an output could not be written
  4    a file of the network is broken: install again"""


class AnswerForm(StrEnum):
    """Output formats of an answer."""

    table = "table"
    json = "json"


class Length(StrEnum):
    """Units of heights; heat and areas go with them."""

    inch = "in"
    cm = "cm"
    mm = "mm"


class Degrees(StrEnum):
    """Units of a table of temperatures."""

    fahrenheit = "F"
    celsius = "C"


class ClampName(StrEnum):
    """The two ways to hold temperatures within 50 and 86 °F (10 and 30 °C)."""

    each = "each"
    mean = "mean"


def field(
    survey: Annotated[
        Path,
        typer.Argument(
            metavar="SURVEY", help="The survey to ask.", readable=False, parser=path_named
        ),
    ],
    name: Annotated[
        str | None,
        typer.Option("--field", metavar="NAME", help="The field; not needed where there is one."),
    ] = None,
    limits: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Your limits, typed from the label, as a TOML file.",
            readable=False,
        ),
    ] = None,
    visit: Annotated[
        str | None, typer.Option(metavar="DATE", help="The visit to judge; the last by default.")
    ] = None,
    day: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="The day the answer is for; today by default."),
    ] = None,
    temperatures: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Daily minimum and maximum, to tell dates ahead.", readable=False
        ),
    ] = None,
    forecast: Annotated[
        Path | None, typer.Option(metavar="CSV", help="The same for days to come.", readable=False)
    ] = None,
    temperature_unit: Annotated[
        Degrees | None,
        choice(Degrees, "Unit of the temperatures, where the table doesn't tell."),
    ] = None,
    clamp: Annotated[
        ClampName | None,
        choice(
            ClampName,
            "Hold each temperature within the limits of growth (the default), or their mean.",
        ),
    ] = None,
    planned_harvest: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="For days before harvest; outranks the limits file."),
    ] = None,
    hail: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of a hail: minds the advised wait.")
    ] = None,
    frost: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of a frost: minds the advised wait.")
    ] = None,
    above: Annotated[
        Path | None,
        typer.Option(
            metavar="FLIGHT",
            help="What `above --out` wrote: shows the field by zones, corrected by its plants.",
            readable=False,
        ),
    ] = None,
    precision: Annotated[
        float,
        typer.Option(
            metavar="D",
            parser=number("0.15"),
            help="Enough plants know a share to +-D; 0.15 is 15 in 100.",
        ),
    ] = 0.15,
    sequential: Annotated[
        bool,
        typer.Option(
            "--sequential", help="Plants are enough too once Wald's test has decided on half."
        ),
    ] = False,
    form: Annotated[
        AnswerForm,
        choice(AnswerForm, "To read, or for a program.", "--format"),
    ] = AnswerForm.table,
    report: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a page (HTML) to send or print.", readable=False),
    ] = None,
    units: Annotated[
        Length | None,
        choice(Length, "Units of heights; by default those of your locale."),
    ] = None,
    save: Annotated[
        bool, typer.Option("--save", help="Keep the verdicts and their limits in the survey.")
    ] = False,
    who: Annotated[
        str | None, typer.Option(metavar="NAME", help="Who decides, for --save.")
    ] = None,
) -> None:
    """Judge a field: its stage, each limit of yours, how sure that is, and until when it holds."""
    from collarvision.countedphoto import named_by_count
    from collarvision.damage import DamageError, wait_after
    from collarvision.decision import answer_record, decide
    from collarvision.drift import warnings_of
    from collarvision.fieldvisits import FieldVisitsError, visits_of
    from collarvision.limitstable import VISIT_GOOD_DAYS
    from collarvision.network import ModelError
    from collarvision.sampling import SequentialTest
    from collarvision.survey import SurveyError, SurveyReader, SurveyWriter
    from collarvision.units import shown_here
    from collarvision.wholefile import HTML
    from collarvision.window import heard_on

    inputs = [
        ("the survey itself", survey),
        ("your limits file", limits),
        ("the table of temperatures", temperatures),
        ("the forecast", forecast),
        ("a file of the flight", above),
    ]
    see_target("--report", report, HTML, inputs)
    today = day_of(day, "--day") or date.today()
    wanted = day_of(visit, "--visit")
    harvest = day_of(planned_harvest, "--planned-harvest")
    hit = [(kind, day_of(text, f"--{kind}")) for kind, text in (("hail", hail), ("frost", frost))]
    if not 0 < precision < 0.5:
        end_with(f"--precision {precision:g}: give a share between 0 and 0.5, such as 0.15.")
    if save and not (who or "").strip():
        end_with("--save keeps a decision under a name: add --who NAME.")
    if save and limits is None:
        end_with("--save keeps verdicts, and there are none without limits: add --limits FILE.")
    if forecast is not None and temperatures is None:
        end_with("--forecast goes on from what was measured: add --temperatures CSV.")
    if who is not None and not save:
        say("--who is for --save, which keeps the verdicts: nothing is kept without it.")
    if temperatures is None and (clamp is not None or temperature_unit is not None):
        option = "--temperature-unit" if clamp is None else "--clamp"
        say(f"{option} is for temperatures, and there are none: add --temperatures CSV.")
    read = None if limits is None else _limits(limits, harvest)
    shown = shown_here(None if units is None else units.value)  # type: ignore[arg-type]
    try:
        with SurveyReader(survey) as store:
            visits = named_by_count(store, visits_of(store, name, wanted, today))
            drifted = warnings_of(store, visits.field)
        if day is not None:
            _check_day(today, visits)
        seen = visits.chosen.day
        if seen is not None:
            good_days = VISIT_GOOD_DAYS if read is None else read.visit_good_days
            seen, _ = heard_on(visits.chosen.evidence, seen, today, good_days)
        waits = [
            wait_after(kind, on, seen, today)  # type: ignore[arg-type]
            for kind, on in hit
            if on is not None
        ]
        # Of hail and frost the one that asks for the longer wait decides.
        wait = max(waits, key=lambda one: one.look_again, default=None)
        outlook = None
        if temperatures is not None:
            outlook = _outlook(
                temperatures,
                forecast,
                visits,
                today,
                read,
                temperature_unit,
                (clamp or ClampName.each).value,
            )
        answer = decide(
            visits,
            today,
            limits=read,
            outlook=outlook,
            wait=wait,
            precision=precision,
            test=SequentialTest() if sequential else None,
            above=_zoned(above, visits, precision),
            shown=shown,
        )
        if save:
            from collarvision.keeping import keep_decision

            with SurveyWriter(survey) as store:
                kept = keep_decision(store, answer, visits.chosen.visit_id, (who or "").strip())
    except (FieldVisitsError, DamageError) as error:
        end_with(str(error))
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    except ModelError as error:
        end_with(str(error), EXIT_MODEL)
    for words in drifted:
        say(words)
    if form is AnswerForm.json:
        import json

        typer.echo(json.dumps(answer_record(answer), indent=2, ensure_ascii=False))
    else:
        from collarvision.fieldtable import format_answer

        width = min(shutil.get_terminal_size((80, 24)).columns, 110)
        typer.echo(format_answer(answer, shown, width=width, colour=sys.stdout.isatty()), nl=False)
    if save:
        say(f"Kept {count_of(kept, 'verdict')} in {survey} under {(who or '').strip()}.")
    if report is not None:
        _report(answer, report, shown)


def _check_day(day: date, visits: FieldVisits) -> None:
    """Stop where the answer is asked for a day on which its plants were not seen yet."""
    seen = visits.chosen.day
    if seen is None or day >= seen:
        return
    then = [one.day for one in visits.earlier if one.day is not None and one.day <= day]
    instead = f"add --visit {then[-1]}" if then else f"give {seen} or a later day"
    end_with(f"--day {day} is before the visit of {seen}: {instead}.")


def _limits(path: Path, harvest: date | None) -> Any:
    from dataclasses import replace

    from collarvision.limitsfile import LimitsError, read_limits

    try:
        found = read_limits(path)
    except LimitsError as error:
        end_with(str(error))
    return found if harvest is None else replace(found, planned_harvest=harvest)


def _outlook(
    temperatures: Path,
    forecast: Path | None,
    visits: Any,
    today: date,
    limits: Any,
    unit: Degrees | None,
    clamp: str,
) -> Outlook | None:
    from collarvision.outlook import look_ahead, read_weather
    from collarvision.temperatures import TemperatureError

    try:
        weather = read_weather(
            temperatures,
            forecast,
            today,
            unit=None if unit is None else unit.value,  # type: ignore[arg-type]
        )
    except TemperatureError as error:
        end_with(f"{error}" + (" (--temperature-unit F or C)" if "unit" in str(error) else ""))
    dated = [
        (one.day, one.evidence)
        for one in (*visits.earlier, visits.chosen)
        if one.day is not None and one.day <= today
    ]
    found = None
    if visits.chosen.day is None or visits.chosen.day > today:
        say("No dates ahead: the visit has no date, or one in the future.")
    else:
        found = look_ahead(dated, weather, limits, clamp=clamp, today=today)  # type: ignore[arg-type]
        if found is None:
            say("No dates ahead: no plant of the visit has an answer yet.")
    return found


def _zoned(flight: Path | None, visits: FieldVisits, precision: float) -> ZonedField | None:
    """The field by the zones of a flight; None, and a sentence, where the two don't go together.

    Without a flight named, it is the survey's own newest one before the visit, if there is any.
    """
    if flight is None and not visits.above:
        return None
    from collarvision.boundary import BoundaryError, boundary_of
    from collarvision.walk.cells import grid
    from collarvision.walk.correction import Ground, correct
    from collarvision.walk.flight import FlightError, flight_of, read_flight
    from collarvision.walk.surveyed import surveyed_flight
    from collarvision.walk.zones import find_zones

    day = visits.chosen.day
    try:
        outline = None if visits.boundary is None else boundary_of(visits.boundary, visits.field)
        if flight is not None:
            flown = read_flight(flight, outline)
        else:
            kept = surveyed_flight(visits.above, visits.field, day)
            if kept is None:
                return None
            flown = flight_of(kept, outline)
        ground = [Ground(plant.evidence, plant.gps) for plant in visits.chosen.plants]
        zones = find_zones(flown, grid(flown))
        return correct(flown, zones, ground, visit=day, precision=precision)
    except (FlightError, BoundaryError) as error:
        if flight is not None and not flight.exists():
            end_with(str(error))  # mistyped: without it the answer would rest on something else
        say(f"The flight is left out. {error}")
        return None


def _report(answer: FieldAnswer, path: Path, shown: Any) -> None:
    from collarvision.report import write_report
    from collarvision.writing import OutputError

    try:
        missing = write_report(answer, path, shown)
    except OutputError as error:
        end_with(str(error), EXIT_OUTPUT)
    say(" ".join(filter(None, (f"Wrote the report to {path}.", missing))))
