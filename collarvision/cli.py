"""Command line: words in, calls to the rooms out, and nothing else.

Heavy modules are imported inside the commands, so that ``collarvision --help`` answers at once.
"""

from __future__ import annotations

import shutil
import sys
import threading
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from collarvision import __version__, commands_count, commands_decision, commands_survey
from collarvision.commandline import (
    EXIT_INTERRUPTED,
    EXIT_MODEL,
    EXIT_OUTPUT,
    EXIT_USAGE,
    CheckBar,
    Out,
    choice,
    end_with,
    number,
    path_named,
    say,
    see_target,
    whole,
)
from collarvision.commands_above import ABOVE_EPILOG, above
from collarvision.commands_demo import demo
from collarvision.commands_field import plan
from collarvision.commands_handcount import handcount, import_
from collarvision.commands_walk import WALK_EPILOG, walk
from collarvision.progress import photo_progress
from collarvision.screen import on_screen

if TYPE_CHECKING:
    from collarvision.answer import Reading
    from collarvision.gathering import Source
    from collarvision.photo import Photo
    from collarvision.writing import RecordWriter


_EXIT_HELP = """\b
Exit status:
  0    every photo got a record, also those that could not be read
  2    the command was not understood, or no photo was found
  3    an output (--out, --overlay, the card, standard output) could not be
       written
  4    the network's file is missing or broken: install again
  130  stopped with Ctrl-C; what was read is kept"""

app = typer.Typer(
    name="collarvision",
    help="Stage young corn (maize) from photos: leaf collars, height, and how sure the answer is.",
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class Form(StrEnum):
    """Output formats."""

    table = "table"
    json = "json"
    jsonl = "jsonl"


class HeightRule(StrEnum):
    """The two published definitions of a plant's height."""

    half_out = "half-out"
    tip_down = "tip-down"


class Units(StrEnum):
    """Units of heights in the table."""

    inch = "in"
    cm = "cm"
    mm = "mm"


class Page(StrEnum):
    """Paper for the scale card."""

    a4 = "a4"
    letter = "letter"


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"collarvision {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


@app.command(
    epilog=_EXIT_HELP, short_help="Stage the plant in each photo, and say how sure that is."
)
def stage(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO_OR_FOLDER",
            help="Photos (JPEG, PNG, TIFF, WebP, HEIC), or folders of them with their subfolders.",
            parser=path_named,
            readable=False,
        ),
    ],
    form: Annotated[
        Form,
        choice(Form, "A table to read, or records: one document, or a line each.", "--format"),
    ] = Form.table,
    overlay: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            parser=path_named,
            readable=False,
            help="Write each photo with what was found drawn on it.",
        ),
    ] = None,
    out: Out = None,
    height_rule: Annotated[
        HeightRule,
        choice(
            HeightRule,
            "Height to the arch of the uppermost leaf that is half out of the whorl, or of "
            "the uppermost leaf whose tip points down.",
        ),
    ] = HeightRule.half_out,
    check_bar: CheckBar = 100.0,
    one_plant: Annotated[
        bool,
        typer.Option("--one-plant", help="The photos show one plant, from its sides: one answer."),
    ] = False,
    units: Annotated[
        Units | None,
        choice(Units, "Heights in the table; by default those of your locale."),
    ] = None,
    max_megapixels: Annotated[
        float,
        typer.Option(
            metavar="MP", parser=number("120", 0.1), help="Refuse photos larger than this."
        ),
    ] = 120.0,
) -> None:
    """Stage the plant in each photo, say how sure that is, and when to count by hand."""
    # Opening the network takes longest of all: begin while the rest is imported.
    threading.Thread(target=_open_network).start()
    from collarvision.gathering import gather, nothing_words, passed_words
    from collarvision.units import shown_here
    from collarvision.wholefile import JSON, JSON_LINES, TEXT
    from collarvision.writing import OutputError, RecordWriter, make_output_folder

    passed: set[Path] = set()
    sources = gather(photos, passed)
    kinds = {Form.table: TEXT, Form.json: JSON, Form.jsonl: JSON_LINES}
    see_target("--out", out, kinds[form], [("one of the photos", s.path) for s in sources])
    over = passed_words(passed)
    if over is not None:
        say(over)
    nothing = nothing_words((source.path, source.trouble) for source in sources)
    if nothing:
        end_with("\n".join(nothing), EXIT_USAGE)
    writer = None
    try:
        if overlay is not None:
            make_output_folder(overlay, "overlays")
        width = shutil.get_terminal_size((80, 24)).columns
        unit = shown_here(None if units is None else units.value).length
        writer = RecordWriter(form.value, out, unit=unit, width=width)  # type: ignore[arg-type]
        options = {
            "height_rule": height_rule.value,
            "check_bar_mm": check_bar,
            "max_megapixels": max_megapixels,
        }
        status = _stage_all(sources, writer, overlay, options)
        if one_plant and status != EXIT_INTERRUPTED:
            writer.put_together()
        writer.finish()
    except OutputError as error:
        end_with(str(error), EXIT_OUTPUT)
    finally:
        if writer is not None:
            writer.abandon()
    if out is not None and status != EXIT_INTERRUPTED:
        count = len(writer.readings)
        say(f"Wrote {count} {'record' if count == 1 else 'records'} to {out}.")
    if overlay is not None and status == 0:
        say(f"The overlays are in {overlay}.")
    raise typer.Exit(status)


def _open_network() -> None:
    """Have the network ready when the first photo is; what is wrong with it is said there."""
    from collarvision.network import ModelError, load_network

    with suppress(ModelError):
        load_network()


def _stage_all(
    sources: list[Source], writer: RecordWriter, overlay: Path | None, options: dict[str, Any]
) -> int:
    """Read every photo in turn; the exit status."""
    status = 0
    try:
        from collarvision.network import ModelError
        from collarvision.reading import read_with_photo, rejected

        names = _OverlayNames(overlay)
        lines_on_screen = writer.form == "jsonl" and writer.out is None and sys.stdout.isatty()
        with photo_progress(
            len(sources),
            "Reading photos",
            shown=not lines_on_screen,
            order=("staged", "hand-count", "rejected"),
        ) as tell:
            for source in sources:
                if source.trouble is not None:
                    writer.add(rejected(source.path, source.trouble))
                    continue
                try:
                    reading, photo = read_with_photo(source.path, **options)
                except ModelError as error:
                    end_with(str(error), EXIT_MODEL)
                if overlay is not None:
                    problem = _draw(photo, reading, names.next(source.path))
                    if problem and status == 0:
                        say(problem)
                    status = EXIT_OUTPUT if problem else status
                writer.add(reading)
                tell(reading.outcome, len(writer.readings))
    except KeyboardInterrupt:
        say(f"Stopped: {len(writer.readings)} of {len(sources)} photos were read and are kept.")
        return EXIT_INTERRUPTED
    return status


def _draw(photo: Photo | None, reading: Reading, path: Path) -> str | None:
    """Write one overlay; a sentence when that fails, since the record must not suffer."""
    from collarvision.overlay import save_overlay
    from collarvision.photofile import PhotoError
    from collarvision.writing import what_to_do

    try:
        rgb = photo.rgb if photo else None  # a large photo is decoded whole for it only now
        if reading.above is not None and rgb is not None:
            _draw_above(rgb, reading, path)
        else:
            save_overlay(rgb, reading, path)
    except OSError as error:
        return (
            f"The overlay {path} can't be written ({error.strerror}): "
            f"{what_to_do(error, 'folder')}. The records go on."
        )
    except PhotoError as error:
        return f"No overlay of {reading.photo}: {error} The records go on."
    return None


def _draw_above(rgb: Any, reading: Reading, path: Path) -> None:
    from collarvision.above.calibration import load_above_calibration
    from collarvision.above.summary import frame_from_record
    from collarvision.abovereport.picture import save_above

    frame = frame_from_record(reading.record(), load_above_calibration())
    if frame is not None:
        save_above(rgb, frame, path)


class _OverlayNames:
    """One file name a photo in the overlay folder, also for photos of the same name."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder or Path()
        self._used: set[str] = set()

    def next(self, photo: Path) -> Path:
        from collarvision.overlay import overlay_name

        name, number = overlay_name(photo.stem), 1
        while name.lower() in self._used:
            number += 1
            name = overlay_name(photo.stem, f"-{number}")
        self._used.add(name.lower())
        return self._folder / name


@app.command(short_help="Write the scale card as a PDF to print.")
def card(
    out: Annotated[
        Path,
        typer.Option(metavar="FILE", help="The PDF to write.", parser=path_named, readable=False),
    ],
    page: Annotated[
        Page,
        choice(Page, "Paper in your printer."),
    ] = Page.a4,
    field: Annotated[
        str | None, typer.Option(metavar="NAME", help="Field name, printed as words and QR code.")
    ] = None,
    stop: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            parser=whole("3", 1),
            help="Number of the stop in that field. Without --field the card tells the stop alone: "
            "one set of cards for all fields.",
        ),
    ] = None,
) -> None:
    """Write the scale card as a PDF to print at 100 % and fix beside the plant."""
    from collarvision.cardletters import by_hand_words
    from collarvision.cardsheet import CardSheetError, write_card
    from collarvision.stopcode import StopCodeError
    from collarvision.wholefile import PDF

    see_target("--out", out, PDF)
    try:
        write_card(out, page=page.value, field=field, stop=stop)
    except StopCodeError as error:
        end_with(str(error), EXIT_USAGE)
    except CardSheetError as error:
        end_with(str(error), EXIT_OUTPUT)
    say(
        f"Wrote {out}. Print it at 100 % (not 'fit to page') and measure the check bar: if it "
        "isn't 100 mm, give what you measured with --check-bar to stage, batch, above and "
        "handcount."
    )
    if by_hand := by_hand_words(field):
        say(by_hand)


app.command(epilog=ABOVE_EPILOG, short_help="Count plants and leaf tips in photos from above.")(
    above
)
app.command(short_help="Plan a walk: how many plants a field needs, and where.")(plan)
app.command(epilog=WALK_EPILOG, short_help="Say where to walk after a flight.")(walk)
app.command(
    epilog=commands_decision.FIELD_EPILOG,
    short_help="Judge a field against the limits on your label, and say why.",
)(commands_decision.field)
app.command(short_help="Add a count made by hand; it outranks the reading.")(commands_count.count)
app.command(short_help="Say that photos show one plant; they then give one answer.")(
    commands_count.together
)
app.command(short_help="Show how to count from the nodes of a split stalk.")(
    commands_count.splitstalk
)
app.command(
    epilog=commands_survey.BATCH_EPILOG,
    short_help="Stage whole folders into a survey, each photo once.",
)(commands_survey.batch)
app.command(short_help="Write a survey's plants to a file, a row a plant.")(commands_survey.export)
app.command(short_help="Count and correct plants on a page in your browser.")(handcount)
app.command("import", short_help="Take in labels made elsewhere, as hand counts.")(import_)
app.command(short_help="Lay out an invented farm to try things on.")(demo)


def main() -> None:
    """Entry point of the ``collarvision`` command."""
    sys.exit(on_screen(app))


if __name__ == "__main__":
    main()
