"""The command that lays out the demo farm: words in, one call out."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

EXIT_USAGE = 2


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A new folder, or one that holds the demo.")
    ],
    day: Annotated[
        datetime | None,
        typer.Option(
            "--date",
            formats=["%Y-%m-%d"],
            metavar="YYYY-MM-DD",
            help="Count visits and weather from this day; by default today.",
        ),
    ] = None,
) -> None:
    """Lay out an invented farm to try things on: photos, outlines, limits and temperatures."""
    from collarvision.demo import DemoError, lay_out

    try:
        laid = lay_out(folder, None if day is None else day.date())
    except DemoError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(EXIT_USAGE) from None
    typer.echo(
        f"Laid out {laid.fields} fields with {laid.photos} photos in {laid.folder}, for "
        f"{laid.today}. {laid.folder / 'README.md'} says what to try; first:"
    )
    typer.echo(
        f'  cd "{laid.folder}" && collarvision batch photos --survey farm.survey '
        "--fields fields.geojson"
    )
