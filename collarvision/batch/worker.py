"""Worker: one photo file to one finished task, and the process that does that over and over.

`stage_file` is all that an engine needs to run, wherever it runs it. Heavy imports wait until the
process has been told how many threads it may have.
"""

from __future__ import annotations

import hashlib
import os
import signal
import stat
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any, Literal

from collarvision.answer import Reading
from collarvision.batch.remote import base_name, is_address, read_bytes
from collarvision.survey import ModelFacts

if TYPE_CHECKING:
    from collarvision.photo import Photo
    from collarvision.stopcode import StopCode


@dataclass(frozen=True)
class Options:
    """How to read every photo of a batch; see `collarvision.reading.read_photo`."""

    height_rule: Literal["half-out", "tip-down"] = "half-out"
    check_bar_mm: float = 100.0
    max_megapixels: float = 120.0
    read_codes: bool = False


@dataclass(frozen=True)
class Task:
    """One file to read. `sha256` is of its content when it was looked at, None if it wasn't."""

    number: int
    path: str
    sha256: str | None


@dataclass(frozen=True)
class Done:
    """What became of a task.

    Attributes
    ----------
    task : Task
    reading : Reading
    sha256 : str or None
        Of the bytes that were read; None when there were none.
    code_field, code_stop : str or None
        From the card's QR code, if it was looked for.
    model : ModelFacts or None
        The network that this process has open, and its calibration.
    pixels_sha256 : str or None
        Of the decoded picture, which notes written into the file leave as it is.
    options : Options or None
        What the reading was asked for; None where nothing was read.
    """

    task: Task
    reading: Reading
    sha256: str | None
    code_field: str | None = None
    code_stop: str | None = None
    model: ModelFacts | None = None
    pixels_sha256: str | None = None
    options: Options | None = None


@dataclass(frozen=True)
class CannotRead:
    """No photo can be read at all: the network is missing, or the options make no sense."""

    sentence: str


def stage_file(task: Task, options: Options) -> Done:
    """Read one photo, and the code on its card if asked to.

    Raises
    ------
    collarvision.network.ModelError, ValueError
        As `read_photo` does.
    """
    from collarvision.reading import read_with_photo

    data = _fetched(task) if is_address(task.path) else _bytes_of(task.path)
    if isinstance(data, Reading):
        return Done(task, data, None)
    reading, photo = read_with_photo(
        task.path if data is None else data,
        name=base_name(task.path),
        height_rule=options.height_rule,
        check_bar_mm=options.check_bar_mm,
        max_megapixels=options.max_megapixels,
    )
    sha256 = None if data is None else hashlib.sha256(data).hexdigest()
    done = Done(
        task,
        replace(reading, path=task.path, sha256=sha256),
        sha256,
        pixels_sha256=None if photo is None else hash_of_pixels(photo),
        options=options,
    )
    if options.read_codes and photo is not None:
        code = _stop_code(photo, reading, options)
        if code is not None:
            done = replace(done, code_field=code.field, code_stop=code.stop)
    return done


def hash_of_pixels(photo: Photo) -> str:
    """SHA-256 of the decoded picture, which notes written into the file leave as it is."""
    # Of the first decoding, which is there already; of a large photo it is a coarser one.
    digest = hashlib.sha256(repr((photo.size, photo.step)).encode())
    digest.update(photo.decoded.data)
    return digest.hexdigest()


def _stop_code(photo: Photo, reading: Reading, options: Options) -> StopCode | None:
    """What the card's code says; a photo that the search breaks on has none, and stays read."""
    from collarvision.card import find_card
    from collarvision.stopcode import read_stop_code

    try:
        scale = None
        if reading.card is not None:
            scale = find_card(photo, check_bar_mm=options.check_bar_mm)
        return read_stop_code(photo, scale)
    except Exception:  # as in `read_photo`: one photo's fault isn't the batch's
        return None


def _bytes_of(path: str) -> bytes | None:
    """Content of an ordinary file of ordinary size; None leaves the complaint to the photo room."""
    from collarvision.photofile import MAX_FILE_BYTES

    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode) or status.st_size > MAX_FILE_BYTES:
            return None
        return read_bytes(path)
    except (OSError, ValueError):
        return None


def _fetched(task: Task) -> bytes | Reading:
    """Content of a file far away, or a reading that says why there is none."""
    from collarvision.photofile import MAX_FILE_BYTES

    try:
        return read_bytes(task.path, MAX_FILE_BYTES)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error) or "no reason was given"
        sentence = f"{task.path} can't be fetched ({why}): check it and your rights, and run again."
        return Reading(
            photo=base_name(task.path), path=task.path, outcome="rejected", reasons=(sentence,)
        )


def model_hash() -> str:
    """SHA-256 of the network's file that this process would open.

    Raises
    ------
    collarvision.network.ModelError
        There is none.
    """
    from collarvision.network import model_path

    with open(model_path(), "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def model_facts(name: str | None = None) -> ModelFacts:
    """What reads photos in this process: the network's file, and the calibration beside it.

    Raises
    ------
    collarvision.network.ModelError
        There is no network, or its calibration is broken.
    """
    from collarvision.calibration import load_calibration

    return ModelFacts(model_hash(), name, load_calibration().id)


def work(pipe: Connection, options: Options, threads: int) -> None:
    """Take tasks from a pipe and send back what became of them until it closes or says None."""
    # Ctrl-C reaches every process of the terminal; the parent alone decides what ends when.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError, KeyboardInterrupt):
        try:
            model = get_ready(threads)
        except Exception as error:
            pipe.send(CannotRead(str(error)))
            return
        pipe.send("ready")
        while (task := pipe.recv()) is not None:
            try:
                done: Any = replace(stage_file(task, options), model=model)
            except Exception as error:
                done = CannotRead(str(error))
            pipe.send(done)


def get_ready(threads: int) -> ModelFacts:
    """Open the network with so many threads, and say which it is."""
    # Read by the numerical libraries when they are loaded, which is below.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, str(threads))
    import cv2

    from collarvision import network

    cv2.setNumThreads(threads)
    # Workers together shall have as many threads as there are CPUs, not each of them.
    network.MAX_THREADS = threads
    return model_facts(network.load_network().version)
