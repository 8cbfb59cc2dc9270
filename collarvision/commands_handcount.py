"""Commands for people's counts: words in, calls to the rooms out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collarvision.answer import count_of
from collarvision.commandline import (
    EXIT_OUTPUT,
    EXIT_USAGE,
    CheckBar,
    end_with,
    say,
    whole,
)

if TYPE_CHECKING:
    from collarvision.limitsfile import Limits

PROBLEMS_SHOWN = 8
"""Sentences on labels that are told one by one; a file may have one for every photo."""


def handcount(
    survey: Annotated[
        Path, typer.Argument(metavar="SURVEY", help="The survey to count in.", readable=False)
    ],
    port: Annotated[
        int,
        typer.Option(
            metavar="N", parser=whole("8000", 0, 65535), help="Port of the page; 0 takes any."
        ),
    ] = 8000,
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="This computer alone by default; 0.0.0.0 lets phones in, by a code.",
        ),
    ] = "127.0.0.1",
    limits: Annotated[
        Path | None,
        typer.Option(
            metavar="TOML",
            help="Your limits: plants that move a verdict come first.",
            readable=False,
        ),
    ] = None,
    check_bar: CheckBar = 100.0,
) -> None:
    """Count and correct plants on a page in your browser, or take photos with a phone."""
    from collarvision.handcount.running import RunError, serve
    from collarvision.survey import SurveyError

    try:
        serve(
            survey,
            host=host,
            port=port,
            limits=_limits(limits),
            check_bar_mm=check_bar,
            say=typer.echo,
        )
    except RunError as error:
        end_with(str(error), EXIT_USAGE)
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    except KeyboardInterrupt:
        typer.echo("Ended; what was saved is in the survey.", err=True)


def import_(
    survey: Annotated[
        Path, typer.Argument(metavar="SURVEY", help="The survey to add to.", readable=False)
    ],
    labels: Annotated[
        Path,
        typer.Option(
            "--from", metavar="FILE", help="Labels: COCO keypoints, .coco.json.", readable=False
        ),
    ],
    who: Annotated[
        str, typer.Option(metavar="NAME", help="Who labelled, where the file doesn't say.")
    ],
    all_checked: Annotated[
        bool,
        typer.Option(
            "--all-checked",
            help="Somebody looked at every photo: labels left as they were read count as agreed.",
        ),
    ] = False,
) -> None:
    """Take in labels that were made elsewhere, as hand counts with their points."""
    from collarvision.coco import CocoError, read_coco
    from collarvision.handcount.importing import import_labels
    from collarvision.survey import SurveyError, SurveyWriter

    if not who.strip():
        end_with("--who is empty: give the name of the person who labelled.", EXIT_USAGE)
    try:
        with SurveyWriter(survey) as store:
            done = import_labels(store, read_coco(labels), who.strip(), all_checked=all_checked)
    except CocoError as error:
        end_with(str(error), EXIT_USAGE)
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    foreign = 0 < done.labels == done.absent
    # Of a foreign survey each would say the same; what couldn't be read of the file came first.
    told = done.problems[: len(done.problems) - done.absent] if foreign else done.problems
    for problem in told[:PROBLEMS_SHOWN]:
        say(problem)
    if len(told) > PROBLEMS_SHOWN:
        say(f"and {len(told) - PROBLEMS_SHOWN} more.")
    if foreign:
        none, them = f"None of the {done.labels} photos in {labels} is", "their photos"
        if done.labels == 1:
            none, them = f"The photo in {labels} isn't", "that photo"
        end_with(
            f"{none} in {survey}: is it the right survey? Give the one that the labels were "
            f"exported from, or stage {them} into this one with `collarvision batch`. Nothing was "
            "changed.",
            EXIT_OUTPUT,
        )
    before = f"; those of {done.known} were stored before" if done.known else ""
    say(f"Stored the labels of {count_of(done.stored, 'photo')}{before}.")
    if done.unchanged:
        labelled = "photo is labelled just as it was read and was"
        if done.unchanged > 1:
            labelled = "photos are labelled just as they were read and were"
        say(
            f"{done.unchanged} {labelled} passed over: if somebody looked at each of them, run "
            "this again with --all-checked."
        )
    if done.problems:
        raise typer.Exit(EXIT_OUTPUT)


def _limits(path: Path | None) -> Limits | None:
    if path is None:
        return None
    from collarvision.limitsfile import LimitsError, read_limits

    try:
        return read_limits(path)
    except LimitsError as error:
        end_with(str(error), EXIT_USAGE)
