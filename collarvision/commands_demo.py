"""The command that lays out the demo farm: words in, one call out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from collarvision.commandline import EXIT_OUTPUT, EXIT_USAGE, day_of, end_with


def demo(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="DIR", help="A new folder, or one that holds the demo.", readable=False
        ),
    ],
    day: Annotated[
        str | None,
        typer.Option(
            "--date",
            metavar="DATE",
            help="Count visits and weather from this day; by default today.",
        ),
    ] = None,
) -> None:
    """Lay out an invented farm to try things on: photos, outlines, limits and temperatures."""
    from collarvision.demo import DemoError, DemoWriteError, lay_out

    start = day_of(day, "--date")
    try:
        laid = lay_out(folder, start)
    except DemoWriteError as error:
        end_with(str(error), EXIT_OUTPUT)
    except DemoError as error:
        end_with(str(error), EXIT_USAGE)
    typer.echo(
        f"Laid out {laid.fields} fields with {laid.photos} photos in {laid.folder}, for "
        f"{laid.today}. {laid.folder / 'README.md'} says what to try; first:"
    )
    typer.echo(
        f'  cd "{laid.folder}" && collarvision batch photos --survey farm.survey '
        "--fields fields.geojson"
    )
