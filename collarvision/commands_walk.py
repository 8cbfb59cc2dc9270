"""The command that says where to walk after a flight: words in, calls to the rooms out."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from collarvision.boundary import Boundary
    from collarvision.walk.flight import Flight
    from collarvision.walk.stops import ZoneWalk

EXIT_USAGE = 2
EXIT_OUTPUT = 3
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


class WalkArea(StrEnum):
    """Units of areas; lengths of the walk go with them."""

    ac = "ac"
    ha = "ha"


def walk(
    flight: Annotated[
        Path,
        typer.Argument(
            metavar="FLIGHT",
            help="The folder that `collarvision above --out` wrote, or a survey with the photos.",
        ),
    ],
    boundary: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The field's outline as GeoJSON."),
    ] = None,
    field: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The field's name, on the page and in the boundary."),
    ] = None,
    precision: Annotated[
        float,
        typer.Option(metavar="D", help="How exactly to know a share of plants; 0.15 is +-15%."),
    ] = 0.15,
    stops: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, help="As many stops; else by area and zones."),
    ] = None,
    start: Annotated[
        str | None,
        typer.Option(metavar="LAT,LON", help="Where the walk begins, such as the gate."),
    ] = None,
    headland: Annotated[
        float,
        typer.Option(metavar="M", min=0.0, help="Metres to keep away from the field's edges."),
    ] = 10.0,
    seed: Annotated[
        int, typer.Option(metavar="N", min=0, help="Another number gives other random stops.")
    ] = 0,
    day: Annotated[
        str | None, typer.Option(metavar="DATE", help="Day of the walk; today by default.")
    ] = None,
    oldest: Annotated[
        int,
        typer.Option(metavar="DAYS", min=0, help="A flight may be that old."),
    ] = GOOD_DAYS,
    units: Annotated[
        WalkArea | None, typer.Option(help="Unit of areas, with ft or m; else of your locale.")
    ] = None,
    form: Annotated[
        WalkForm,
        typer.Option("--format", help="A page to print, points for a phone's map, or values."),
    ] = WalkForm.page,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write there instead of to the screen.")
    ] = None,
    map_page: Annotated[
        Path | None,
        typer.Option("--map", metavar="FILE", help="Also write a map with the list (HTML)."),
    ] = None,
) -> None:
    """Say where to walk after a flight: zones of unlike growth, and the stops that settle them."""
    outline = None if boundary is None else _outline(boundary, field)
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
        day=_date(day),
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
            _stop(f"{old} (--oldest DAYS takes an older one, --day another day.)")
        if begin is not None and not flown.located:
            _stop("--start orders the stops on a map, and the flight has no place on the earth.")
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
    except (FlightError, WalkPlanError, ValueError) as error:
        _stop(str(error))


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
            _stop(
                f"The survey holds no photos from above of {visits.field} with plants on them, not "
                f"over {oldest} days old on {on}: run `collarvision batch` on them, or give the "
                "folder that `collarvision above --out` wrote."
            )
        if outline is None and visits.boundary is not None:
            outline = boundary_of(visits.boundary, visits.field)
    except (FieldVisitsError, BoundaryError) as error:
        _stop(str(error))
    except SurveyError as error:
        _stop(str(error), EXIT_OUTPUT)
    return flight_of(kept, outline)


def show_walk(
    planned: ZoneWalk,
    *,
    field: str | None,
    units: WalkArea | None,
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
            _stop(
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
        _stop(str(error), EXIT_OUTPUT)
    typer.echo(f"Wrote the walk to {out}.", err=True)


def position(text: str) -> tuple[float, float]:
    """Read latitude and longitude, or stop with a sentence."""
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError:
        lat = lon = float("nan")
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        _stop(f"--start {text!r} isn't latitude,longitude: write it like 41.52,-93.61.")
    return lat, lon


def _outline(path: Path, field: str | None) -> Boundary:
    from collarvision.boundary import BoundaryError, read_boundary

    try:
        return read_boundary(path, field)
    except BoundaryError as error:
        _stop(str(error))


def _date(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        _stop(f"--day {text!r} isn't a date: write it like 2027-06-04.")


def _stop(words: str, status: int = EXIT_USAGE) -> NoReturn:
    typer.echo(words, err=True)
    raise typer.Exit(status)
