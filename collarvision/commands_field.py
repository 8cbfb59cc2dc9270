"""Commands about a whole field: words in, calls to the rooms out."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from collarvision.commandline import (
    EXIT_OUTPUT,
    AreaUnit,
    AreaUnits,
    FieldName,
    Out,
    Precision,
    Seed,
    Start,
    choice,
    end_with,
    field_outline,
    position,
    say,
    see_start,
    see_target,
)
from collarvision.commands_walk import TypedHeadland


class PlanForm(StrEnum):
    """Output formats of a plan."""

    page = "page"
    geojson = "geojson"


def plan(
    context: typer.Context,
    area: Annotated[
        str | None,
        typer.Option(metavar="AREA", help="Size of the field, such as 40ac or 16ha."),
    ] = None,
    precision: Precision = 0.15,
    boundary: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The field's outline as GeoJSON: chooses the stops.",
            readable=False,
        ),
    ] = None,
    field: FieldName = None,
    start: Start = None,
    headland: TypedHeadland = 10.0,
    seed: Seed = 0,
    above: Annotated[
        Path | None,
        typer.Option(
            metavar="FLIGHT",
            help="What `above --out` wrote: stops by zones (see `walk`).",
            readable=False,
        ),
    ] = None,
    units: AreaUnits = None,
    form: Annotated[
        PlanForm,
        choice(PlanForm, "A page to print, or points for a phone's map.", "--format"),
    ] = PlanForm.page,
    out: Out = None,
) -> None:
    """Plan a walk: how many stops and plants a field needs, and where to stop."""
    import json

    from collarvision.enoughplan import plan_to_settle
    from collarvision.units import (
        M2_PER,
        UnitError,
        area_words,
        read_area_m2,
        shown_here,
        unit_of_area,
    )
    from collarvision.wholefile import GEOJSON, TEXT

    kind = GEOJSON if form is PlanForm.geojson else TEXT
    see_target("--out", out, kind, [("the field's outline", boundary)])
    if above is not None:
        _zone_walk(above, area, boundary, field, precision, start, headland, seed, units, form, out)
        return
    if area is None and boundary is None:
        end_with("Give the field's size (--area 40ac) or its outline (--boundary field.geojson).")
    if form is PlanForm.geojson and boundary is None:
        end_with("Points for a map need the field's outline: add --boundary field.geojson.")
    if start is not None and boundary is None:
        end_with("--start orders the stops on a map: add --boundary field.geojson.")
    idle = [f"--{name}" for name in ("headland", "seed") if _typed(context, name)]
    if boundary is None and idle:
        are = "is" if len(idle) == 1 else "are"
        say(
            f"{' and '.join(idle)} {are} for stops on a map, and there is none without an outline: "
            "add --boundary field.geojson."
        )
    area_m2, area_unit = None, "ac" if shown_here().us else "ha"
    try:
        if area is not None:
            area_m2, area_unit = float(read_area_m2(area)), unit_of_area(area)
    except UnitError as error:
        end_with(f"--area: {error}")
    if units is not None:
        area_unit = units.value
    outline = None
    if boundary is not None:
        outline = field_outline(boundary, field)
        field = field or outline.name
        if area_m2 is None:
            area_m2 = outline.area_m2
        elif abs(outline.area_m2 / area_m2 - 1) > 0.2:
            drawn = area_words(outline.area_m2, area_unit)
            typer.echo(
                f"The outline holds {drawn}, not {area}: check that it is the right field. The "
                "plan goes by --area.",
                err=True,
            )
    assert area_m2 is not None
    try:
        sample = plan_to_settle(area_m2 / float(M2_PER["ac"]), precision)
    except ValueError as error:
        end_with(str(error))
    walk = None
    if outline is not None:
        from collarvision.walkplan import WalkPlanError, plan_walk

        begin = None if start is None else position(start)
        if begin is not None:
            see_start(begin, outline)
        try:
            walk = plan_walk(outline, sample.stops, seed=seed, headland_m=headland, start=begin)
        except WalkPlanError as error:
            end_with(str(error))
    from collarvision.walkplan import plan_geojson, write_plan

    if form is PlanForm.geojson:
        assert walk is not None
        text = json.dumps(plan_geojson(sample, walk, field), indent=2, ensure_ascii=False) + "\n"
    else:
        text = write_plan(sample, walk, field=field, area_unit=area_unit, seed=seed)
    if out is None:
        typer.echo(text, nl=False)
        return
    from collarvision.wholefile import write_whole
    from collarvision.writing import OutputError

    try:
        write_whole(out, text)
    except OutputError as error:
        end_with(str(error), EXIT_OUTPUT)
    typer.echo(f"Wrote the plan to {out}.", err=True)


def _typed(context: typer.Context, option: str) -> bool:
    """Whether an option was given, be it with the value that it has anyway."""
    source = context.get_parameter_source(option)
    return source is not None and source.name == "COMMANDLINE"


def _zone_walk(
    flight: Path,
    area: str | None,
    boundary: Path | None,
    field: str | None,
    precision: float,
    start: str | None,
    headland: float,
    seed: int,
    units: AreaUnit | None,
    form: PlanForm,
    out: Path | None,
) -> None:
    """Plan by a flight: as `collarvision walk` does, with this command's options."""
    from collarvision import commands_walk as walking

    if area is not None:
        end_with("--above goes by the field's outline: give --boundary field.geojson, not --area.")
    walking.walk(
        flight,
        boundary,
        field,
        precision=precision,
        start=start,
        headland=headland,
        seed=seed,
        units=units,
        form=walking.WalkForm(form.value),
        out=out,
    )
