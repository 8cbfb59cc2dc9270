"""Commands that fill a survey and take things out of it: words in, calls to the rooms out."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from collarvision.answer import count_of
from collarvision.commandline import (
    EXIT_INTERRUPTED,
    EXIT_MODEL,
    EXIT_OUTPUT,
    EXIT_USAGE,
    CheckBar,
    end_with,
    path_named,
    say,
    see_target,
    whole,
    word,
)
from collarvision.progress import photo_progress

if TYPE_CHECKING:
    from collarvision.batch import BatchResult, Job
    from collarvision.batch.sources import PhotoFile
    from collarvision.export import Plant
    from collarvision.survey import PlantRow


BATCH_EPILOG = """\b
Exit status:
  0    every photo was dealt with, also those that could not be read
  2    the command was not understood, no photo was found, or another batch
       fills the survey
  3    the survey could not be opened or written to
  4    photos can't be read at all: install again, or see to the cluster
  130  stopped with Ctrl-C; what was read is kept (a watch ends so, with 0)"""


def batch(
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="SOURCE",
            parser=word,
            help="Folders with their subfolders, patterns, photos, .txt lists of photos, or "
            "addresses such as s3://bucket/season.",
        ),
    ],
    survey: Annotated[
        Path,
        typer.Option(
            metavar="FILE",
            parser=path_named,
            readable=False,
            help="The survey to fill; made if there is none.",
        ),
    ],
    field: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The field, where folders and GPS don't tell it."),
    ] = None,
    fields: Annotated[
        Path | None,
        typer.Option(
            metavar="GEOJSON", help="Field boundaries, to find the field by GPS.", readable=False
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            metavar="N", parser=whole("4", 1, 256), help="Processes; by default one a CPU."
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Read on the workers of the Dask scheduler at this address, or of this scheduler "
            "file.",
        ),
    ] = None,
    watch: Annotated[
        bool,
        typer.Option("--watch", help="Go on: stage photos as they arrive in the folders given."),
    ] = False,
    restage: Annotated[
        bool, typer.Option("--restage", help="Read again what the survey has already.")
    ] = False,
    read_codes: Annotated[
        bool,
        typer.Option("--read-codes", help="Look for the card's QR code: up to 1 s more a photo."),
    ] = False,
    height_rule: Annotated[
        str, typer.Option(metavar="RULE", help="half-out or tip-down, as for `stage`.")
    ] = "half-out",
    check_bar: CheckBar = 100.0,
) -> None:
    """Stage whole folders into a survey, each photo once; run it again to go on after a stop."""
    if height_rule not in ("half-out", "tip-down"):
        end_with(f"--height-rule {height_rule} is unknown: use half-out or tip-down.", EXIT_USAGE)
    if cluster is not None and workers is not None:
        end_with("--workers are those of this computer: leave it out with --cluster.", EXIT_USAGE)
    if watch:
        _check_watchable(sources)
    from collarvision.batch.cluster import Cluster
    from collarvision.batch.filing import Filing
    from collarvision.batch.folders import tidy
    from collarvision.batch.lock import BatchLock, BatchLockError
    from collarvision.batch.pool import Engine, EngineError, Pool
    from collarvision.batch.remote import RemoteError
    from collarvision.batch.restaging import RestageNote
    from collarvision.batch.staging import Job
    from collarvision.batch.worker import Options
    from collarvision.network import usable_cpus
    from collarvision.outlines import BoundaryError, named, read_outlines
    from collarvision.survey import SurveyError, SurveyWriter
    from collarvision.writing import what_to_do

    try:
        boundaries = () if fields is None else named(read_outlines(fields), fields)
    except BoundaryError as error:
        end_with(str(error), EXIT_USAGE)
    _see_name(survey)
    name = None if field is None else tidy(field)
    if name == "":
        end_with("--field is empty: give the field's name.", EXIT_USAGE)
    options = Options(height_rule, check_bar, read_codes=read_codes)  # type: ignore[arg-type]
    try:
        # Before the survey, so that a misspelt folder makes none.
        files = None if watch else _found(sources)
        with SurveyWriter(survey, create=True) as store, BatchLock(survey):
            for boundary in boundaries:
                store.add_field(str(boundary.name), boundary.geometry)
            known = [one.name for one in store.fields()]
            model = _model()
            filing = Filing(boundaries, name)

            def engine(files: int) -> Engine:
                if cluster is not None:
                    return Cluster(cluster, options, model)
                return Pool(max(1, min(workers or usable_cpus(), files)), options)

            job = Job(files or (), model, filing, restage, options)
            note = RestageNote(survey)
            if restage and files is not None:
                # The same words mean other folders elsewhere.
                command = [os.getcwd(), *sources, name, fields, options, model]
                job = replace(job, since_ns=note.begin(command))
            else:
                note.end()
            if files is None:
                result = _watch(sources, job, store, engine(256))
            else:
                result = _run(job, store, engine(len(files)))
            if not result.stopped:
                note.end()
            _say_new_fields(store, known)
            summary = _summary(result, store)
    except (BatchLockError, RemoteError) as error:
        end_with(str(error), EXIT_USAGE)
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    except EngineError as error:
        end_with(str(error), EXIT_MODEL)
    except KeyboardInterrupt:
        end_with("Ended: what was read is kept; run the same command to go on.", EXIT_INTERRUPTED)
    except BrokenPipeError:
        raise  # whoever read the output has gone: the survey is whole
    except OSError as error:
        end_with(
            f"The survey {survey} can't be used where it is ({error.strerror}): "
            f"{what_to_do(error, 'folder')}.",
            EXIT_OUTPUT,
        )
    # By now the survey is whole: what stops the output is no fault of its.
    _finish(result, summary, None if files is None else len(files))


def export(
    survey: Annotated[
        Path, typer.Argument(metavar="SURVEY", help="The survey to export.", readable=False)
    ],
    to: Annotated[
        Path,
        typer.Option(
            metavar="FILE",
            help="What to write: .csv, .json, .geojson, .parquet or .coco.json.",
            parser=path_named,
            readable=False,
        ),
    ],
    field: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only the plants of this field.")
    ] = None,
) -> None:
    """Write a survey's plants to a file, a row a plant, by the latest reading of each."""
    from collarvision.coco import ENDING as COCO_ENDING
    from collarvision.export import FormError, export_plants, form_of, labels_of
    from collarvision.fieldnames import known_as
    from collarvision.plantphotos import whole_plants
    from collarvision.survey import SurveyError, SurveyReader
    from collarvision.survey.stopcounts import stop_counts
    from collarvision.table import CAUTION
    from collarvision.writing import OutputError

    see_target("--to", to, None, [("the survey itself", survey)])

    photos: Counter[tuple[str | None, ...]] = Counter()  # of one plant, where it has several

    def seen(rows: Iterable[PlantRow]) -> Iterator[PlantRow]:
        for row in rows:
            if row.plant is not None:
                photos[row.field, row.date, row.stop, row.plant] += 1
            yield row

    try:
        form_of(to)
        with SurveyReader(survey) as store:
            if field is not None:
                known = [one.name for one in store.fields()]
                field = known_as(field, known)
                if field not in known:
                    end_with(f"The survey has no field {field}: check the spelling.", EXIT_USAGE)
            rows, bare = store.plants(field), list(stop_counts(store, field, withdrawn=True))
            gone = sum(not one.counts for one in bare)
            # Points lie in one photo: there each photo is an image of its own.
            coco = form_of(to) == COCO_ENDING
            plants: Iterable[Plant] = (
                seen(rows) if coco else itertools.chain(whole_plants(rows), bare)
            )
            count = export_plants(plants, to, lambda sha256: labels_of(store.counts(sha256)))
    except FormError as error:
        end_with(str(error), EXIT_USAGE)
    except (OutputError, SurveyError) as error:
        end_with(str(error), EXIT_OUTPUT)
    what = "photo" if any(count > 1 for count in photos.values()) else "plant"
    say(f"Wrote {count_of(count, what)} to {to}.")
    if gone and not coco:
        were = "1 of them was" if gone == 1 else f"{gone} of them were"
        say(f"{were} withdrawn: without a hand count; the column withdrawn says what and why.")
    left_out = len(bare) - gone
    if coco and left_out:
        was = "plant that was" if left_out == 1 else "plants that were"
        say(
            f"Left out: {left_out} {was} counted at a stop without a photo; {COCO_ENDING} holds "
            "points on photos."
        )
    say(CAUTION)


def _see_name(survey: Path) -> None:
    """See that a new survey isn't called like a photo, a list or an export, or stop.

    It would be taken for one of them later, or one of them be meant now.
    """
    from collarvision.gathering import PAPERS, PHOTO_SUFFIXES

    others = (PHOTO_SUFFIXES | PAPERS | {".parquet", ".pdf"}) - {".survey"}
    new = not os.path.exists(survey) or (survey.is_file() and not survey.stat().st_size)
    if new and survey.suffix.lower() in others:
        end_with(
            f"--survey {survey} has the ending of a photo, a list or an export: call a new survey "
            f"{survey.with_suffix('.survey')}.",
            EXIT_USAGE,
        )


def _model() -> Any:
    """What will read the photos; the workers say what it calls itself."""
    from collarvision.batch.pool import EngineError
    from collarvision.batch.worker import model_facts
    from collarvision.network import ModelError

    try:
        return model_facts()
    except ModelError as error:
        raise EngineError(str(error)) from error


def _check_watchable(sources: list[str]) -> None:
    import importlib.util

    for source in sources:
        if not os.path.isdir(source):
            end_with(f"--watch needs folders of this computer, and {source} is none.", EXIT_USAGE)
    if importlib.util.find_spec("watchfiles") is None:
        end_with("--watch needs a further package: pip install 'collarvision[watch]'.", EXIT_USAGE)


def _found(sources: list[str]) -> list[PhotoFile]:
    """The photos behind the words; stops with a sentence for each where there is none at all."""
    from collarvision.batch.remote import is_address
    from collarvision.batch.sources import find_photos
    from collarvision.gathering import nothing_words, passed_words

    passed: set[Path] = set()
    files = find_photos(sources, passed)
    over = passed_words(passed)
    if over is not None:
        say(over)
    # What an address holds was asked when it was listed.
    if not any(file.trouble is None and is_address(file.where) for file in files):
        nothing = nothing_words((file.where, file.trouble) for file in files)
        if nothing:
            end_with("\n".join(nothing), EXIT_USAGE)
    return files


def _run(job: Job, store: Any, engine: Any) -> BatchResult:
    from collarvision.batch import run_batch

    total = len(list(job.files))
    with _stop_asked() as stopping, photo_progress(total, "Staging") as told:
        done = itertools.count(1)
        return run_batch(
            job, store, engine, stopping=stopping, tell=lambda step, name: told(step, next(done))
        )


def _watch(sources: list[str], job: Job, store: Any, engine: Any) -> BatchResult:
    from collarvision.batch import run_batch
    from collarvision.batch.watching import Watch
    from collarvision.table import plain

    def tell(step: str, name: str) -> None:
        if step != "known":
            say(f"{plain(name)}: {step.replace('-', ' ')}")

    with _stop_asked() as stopping, Watch([Path(source) for source in sources]) as watch:
        say(f"Watching {', '.join(map(plain, sources))}; Ctrl-C ends it.")
        job = replace(job, files=watch.photos(stopping))
        return run_batch(job, store, engine, stopping=stopping, tell=tell)


def _say_new_fields(store: Any, known: list[str]) -> None:
    """Name the fields that this run brought, and ask where one may be a slip of the keys."""
    from collarvision.fieldnames import new_words
    from collarvision.table import plain

    for words in new_words([one.name for one in store.fields() if one.name not in known], known):
        say(plain(words))


def _summary(result: BatchResult, store: Any) -> str:
    from collarvision.batch.summary import format_summary
    from collarvision.plantphotos import waiting_plants

    width = shutil.get_terminal_size((80, 24)).columns
    return format_summary(result, waiting_plants(store), str(store.path), width=width)


def _finish(result: BatchResult, summary: str, files: int | None) -> None:
    """Say what was done; `files` is None after a watch, which ends only by being stopped."""
    typer.echo(summary, nl=False)
    if result.stopped and files is not None:
        left = files - sum(result.steps.values())
        say(f"Stopped with {left} of {files} photos to go: run the same command to go on.")
        raise typer.Exit(EXIT_INTERRUPTED)


@contextmanager
def _stop_asked() -> Iterator[Callable[[], bool]]:
    """Turn the first Ctrl-C into a wish to stop that loses nothing; the second ends at once."""
    asked = threading.Event()

    def note(number: int, frame: object) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        # Not through Python's own buffers, which the interrupted code may be in the middle of.
        with suppress(OSError):
            os.write(2, b"\nFinishing the photos in hand; Ctrl-C again ends at once.\n")

    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return
    was = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked.is_set
    finally:
        for number, handler in was.items():
            signal.signal(number, handler)
