"""The command that says where to walk after a flight: words in, calls to the rooms out."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from collarvision.commandline import (
    EXIT_OUTPUT,
    AreaUnit,
    AreaUnits,
    FieldName,
    Headland,
    Out,
    Precision,
    Seed,
    Start,
    choice,
    day_of,
    end_with,
    field_outline,
    position,
    see_start,
    see_target,
    whole,
)

if TYPE_CHECKING:
    from collarvision.boundary import Boundary
    from collarvision.walk.flight import Flight
    from collarvision.walk.stops import ZoneWalk

_, _HEADLAND = get_args(Headland)


def _headland(text: str) -> float:
    """Metres that know how they were typed, so that a refusal says it in the same unit."""
    from collarvision.units import TypedMetres

    return TypedMetres(_HEADLAND.parser(text), str(text))


TypedHeadland = Annotated[
    float, typer.Option(metavar=_HEADLAND.metavar, parser=_headland, help=_HEADLAND.help)
]

_FLIGHT_FILES = {".json", ".npz", ".geojson"}  # files of a flight's folder; any other is a survey
GOOD_DAYS = 7  # as `collarvision.walk.flight.GOOD_DAYS`; --help must not load that room

WALK_EPILOG = """\b
Exit status:
  0  the walk was planned
  2  the command, the flight or the outline can't be used; a sentence says why
  3  the survey could not be opened, or an output could not be written"""


class WalkForm(StrEnum):
    """Output formats of a walk."""

    page = "page"
    geojson = "geojson"
    json = "json"


def walk(
    flight: Annotated[
        Path,
        typer.Argument(
            metavar="FLIGHT",
            help="The folder that `collarvision above --out` wrote, or a survey with the photos.",
            readable=False,
        ),
    ],
    boundary: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The field's outline as GeoJSON.", readable=False),
    ] = None,
    field: FieldName = None,
    precision: Precision = 0.15,
    stops: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            parser=whole("8", 1),
            help="As many stops, up to 60; else by area and zones.",
        ),
    ] = None,
    start: Start = None,
    headland: TypedHeadland = 10.0,
    seed: Seed = 0,
    day: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of the walk; today by default.")
    ] = None,
    oldest: Annotated[
        int,
        typer.Option(metavar="DAYS", parser=whole("7", 0), help="A flight may be that old."),
    ] = GOOD_DAYS,
    units: AreaUnits = None,
    form: Annotated[
        WalkForm,
        choice(WalkForm, "A page to print, points for a phone's map, or values.", "--format"),
    ] = WalkForm.page,
    out: Out = None,
    map_page: Annotated[
        Path | None,
        typer.Option(
            "--map", metavar="FILE", help="Also write a map with the list (HTML).", readable=False
        ),
    ] = None,
) -> None:
    """Say where to walk after a flight: zones of unlike growth, and the stops that settle them."""
    from collarvision.abovereport.files import field_files
    from collarvision.wholefile import GEOJSON, HTML, JSON, TEXT

    flown = flight if flight.is_dir() else flight.parent
    inputs = [
        ("the field's outline", boundary),
        ("the survey or flight itself", flight),
        *(("a file of the flight", path) for path in field_files(flown)),
    ]
    kinds = {WalkForm.page: TEXT, WalkForm.geojson: GEOJSON, WalkForm.json: JSON}
    see_target("--out", out, kinds[form], inputs)
    see_target("--map", map_page, HTML, [*inputs, ("what --out writes too", out)])
    outline = None if boundary is None else field_outline(boundary, field)
    if outline is not None:
        field = field or outline.name
    planned = planned_walk(
        flight,
        outline,
        field,
        precision=precision,
        stops=stops,
        start=start,
        headland=headland,
        seed=seed,
        day=day_of(day, "--day"),
        oldest=oldest,
    )
    show_walk(planned, field=field, units=units, form=form, out=out, map_page=map_page)


def planned_walk(
    flight: Path,
    outline: Boundary | None,
    field: str | None,
    *,
    precision: float,
    stops: int | None,
    start: str | None,
    headland: float,
    seed: int,
    day: date | None,
    oldest: int,
) -> ZoneWalk:
    """Plan a walk, or stop with a sentence."""
    from collarvision.network import ModelError
    from collarvision.walk.cells import grid
    from collarvision.walk.flight import FlightError, age_words, read_flight
    from collarvision.walk.stops import plan_zone_walk
    from collarvision.walk.zones import find_zones
    from collarvision.walkplan import WalkPlanError

    begin = None if start is None else position(start)
    on = day or date.today()
    try:
        flown = (
            _surveyed(flight, outline, field, on, oldest)
            if flight.is_file() and flight.suffix.lower() not in _FLIGHT_FILES
            else read_flight(flight, outline)
        )
        old = age_words(flown, on, oldest)
        if old is not None:
            end_with(f"{old} (--oldest DAYS takes an older one, --day another day.)")
        if begin is not None and not flown.located:
            end_with("--start orders the stops on a map, and the flight has no place on the earth.")
        if begin is not None:
            see_start(begin, flown.boundary)
        return plan_zone_walk(
            flown,
            find_zones(flown, grid(flown)),
            precision=precision,
            stops=stops,
            days=0 if flown.day is None else (on - flown.day).days,
            seed=seed,
            headland_m=headland,
            start=begin,
        )
    except (FlightError, WalkPlanError, ModelError, ValueError) as error:
        end_with(str(error))


def _surveyed(
    survey: Path, outline: Boundary | None, field: str | None, on: date, oldest: int
) -> Flight:
    """A field's newest flight in a survey, inside the survey's own outline unless one is given."""
    from collarvision.boundary import BoundaryError, boundary_of
    from collarvision.fieldvisits import FieldVisitsError, visits_of
    from collarvision.survey import SurveyError, SurveyReader
    from collarvision.walk.flight import flight_of
    from collarvision.walk.surveyed import surveyed_flight

    try:
        with SurveyReader(survey) as store:
            visits = visits_of(store, field)
        kept = surveyed_flight(visits.above, visits.field, on, oldest)
        if kept is None:
            end_with(
                f"The survey holds no photos from above of {visits.field} with plants on them, not "
                f"over {oldest} days old on {on}: run `collarvision batch` on them, or give the "
                "folder that `collarvision above --out` wrote."
            )
        if outline is None and visits.boundary is not None:
            outline = boundary_of(visits.boundary, visits.field)
    except (FieldVisitsError, BoundaryError) as error:
        end_with(str(error))
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    return flight_of(kept, outline)


def show_walk(
    planned: ZoneWalk,
    *,
    field: str | None,
    units: AreaUnit | None,
    form: WalkForm,
    out: Path | None,
    map_page: Path | None,
) -> None:
    """Write a walk in the form asked for, and its map."""
    import json

    from collarvision.units import shown_here
    from collarvision.walk.page import walk_geojson, walk_record, write_walk
    from collarvision.wholefile import write_whole
    from collarvision.writing import OutputError

    area_unit = units.value if units is not None else ("ac" if shown_here().us else "ha")
    if form is WalkForm.page:
        text = write_walk(planned, field=field, area_unit=area_unit)
    elif form is WalkForm.json:
        text = json.dumps(walk_record(planned, field), indent=2, ensure_ascii=False) + "\n"
    else:
        if not planned.flight.located:
            end_with(
                "The flight has no place on the earth, so there are no points for a map: "
                "leave --format out for rows and paces."
            )
        text = json.dumps(walk_geojson(planned, field), ensure_ascii=False) + "\n"
    try:
        if map_page is not None:
            from collarvision.report.walkpage import walk_page

            write_whole(map_page, walk_page(planned, field=field, area_unit=area_unit))
            typer.echo(f"Wrote the map to {map_page}.", err=True)
        if out is None:
            typer.echo(text, nl=False)
            return
        write_whole(out, text)
    except OutputError as error:
        end_with(str(error), EXIT_OUTPUT)
    typer.echo(f"Wrote the walk to {out}.", err=True)
