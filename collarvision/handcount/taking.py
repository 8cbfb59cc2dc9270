"""Taking: a photo from a phone, encoded anew, read, and filed under a field.

What comes from outside is never stored as it came: it is decoded, and its pixels and the few facts
that a reading needs (time, place, focal length) are written to a file of our own naming beside the
survey.
"""

from __future__ import annotations

import hashlib
import io
import os
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from collarvision.answer import Reading
from collarvision.batch.knownpicture import known_as
from collarvision.batch.otherwise import Lay, lay_at, notes_of
from collarvision.batch.worker import Options, hash_of_pixels
from collarvision.handcount.pictures import Pictures, encode
from collarvision.photo import Photo, load_photo
from collarvision.photofile import PhotoError
from collarvision.survey import (
    FileFacts,
    ModelFacts,
    Place,
    PlantRow,
    SurveyError,
    SurveyWriter,
)
from collarvision.survey.asread import SENT_PIXELS, known_picture
from collarvision.survey.oneplant import FROM_ABOVE, SAME_PHOTO
from collarvision.together import same_picture
from collarvision.writing import what_to_do

MAX_MEGAPIXELS: Final = 64.0
_QUALITY: Final = 93
_MOST_WAITING: Final = 4
_DATE_TIME, _DATE_TIME_ORIGINAL, _FOCAL_35MM = 0x0132, 0x9003, 0xA405
_EXIF_IFD, _GPS_IFD = 0x8769, 0x8825


class TakingError(Exception):
    """A photo that can't be taken in; `str(error)` is one sentence for the page."""


class Busy(TakingError):
    """Too many photos wait already."""


@dataclass(frozen=True)
class Taken:
    """A photo that was taken in: its hash in the survey, and whether it was there already."""

    sha256: str
    was_known: bool = False


class PhotoTaker:
    """Takes photos in one after the other, in a thread of its own.

    Parameters
    ----------
    survey : Path
        Photos go to a folder beside it, ``<survey>-photos``.
    pictures : Pictures
        Gets each photo for the page, which will ask for it at once.
    """

    def __init__(self, survey: Path, pictures: Pictures, *, check_bar_mm: float = 100.0) -> None:
        self._check_bar_mm = check_bar_mm
        self._survey, self._pictures = survey, pictures
        self.folder = survey.with_name(f"{survey.name}-photos")
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="photo")
        self._room = threading.Semaphore(_MOST_WAITING)
        self._model: ModelFacts | None = None

    def warm_up(self) -> None:
        """Open the network before the first photo comes."""
        self._worker.submit(self._model_facts)

    def take(self, data: bytes, field: str, of: str | None = None) -> Future[Taken]:
        """Take a photo in and file it; `of` is the SHA-256 of another photo of the same plant.

        Raises
        ------
        Busy
            At once. `TakingError` comes out of the future.
        """
        if not self._room.acquire(blocking=False):
            raise Busy("Several photos are being read: send this one again in a few seconds.")
        try:
            future = self._worker.submit(self._take, data, field, of)
        except BaseException:
            self._room.release()
            raise
        future.add_done_callback(lambda _: self._room.release())
        return future

    def close(self) -> None:
        """End after the photo in hand."""
        self._worker.shutdown(wait=True, cancel_futures=True)

    def _take(self, data: bytes, field: str, of: str | None = None) -> Taken:
        try:
            photo = load_photo(data, "photo", max_megapixels=MAX_MEGAPIXELS)
        except PhotoError as error:
            raise TakingError(str(error)) from error
        clean, sent = _encoded(photo), hash_of_pixels(photo)
        sha256 = hashlib.sha256(clean).hexdigest()
        day = (photo.taken_at.date() if photo.taken_at else date.today()).isoformat()
        place = Place(field, day, None, "page")
        with SurveyWriter(self._survey) as survey:
            # Earlier versions noted nothing of what was sent: there the copy is found again.
            known = known_picture(survey, photo.sha256, sent) or survey.plant(sha256)
            first = None if of is None else survey.plant(of)
            if first is not None and {one.view for one in (photo, known, first) if one} != {"side"}:
                raise TakingError(f"{FROM_ABOVE}: take one from the side.")
            if known is not None:
                self._pictures.keep(known.sha256, "page", encode(photo.rgb, "page"))
                if known.record.get("fault") is not None:
                    is_copy = known.sha256 == sha256 or known.record.get(SENT_PIXELS) == sent
                    known = self._read_anew(survey, known, clean if is_copy else data)
                self._take_known(survey, known, place, of)
                return Taken(known.sha256, was_known=True)
        path = self._write(clean, sha256, day)
        reading, seen = self._read(clean, path.name)
        if seen is not None:
            self._pictures.keep(sha256, "page", encode(seen.rgb, "page"))
        reading = replace(reading, path=str(path), sha256=sha256)
        notes = self._notes(seen, Lay(str(path)), sent)
        status = path.stat()
        with SurveyWriter(self._survey) as survey:
            first = None if of is None else survey.plant(of)
            if first is not None:
                if same_picture(first.record, {**reading.record(), **notes}):
                    path.unlink(missing_ok=True)
                    raise TakingError(SAME_PHOTO)
                place = _beside(first)
            survey.add_reading(
                reading,
                sha256=sha256,
                model=self._model_facts(),
                place=place,
                file=FileFacts(str(path), status.st_size, status.st_mtime_ns, time.time_ns()),
                notes=notes,
            )
            if first is not None:
                self._put_together(survey, first.sha256, sha256)
        return Taken(sha256)

    def _read(self, data: bytes, name: str) -> tuple[Reading, Photo | None]:
        from collarvision.network import ModelError
        from collarvision.reading import read_with_photo

        try:
            return read_with_photo(data, name=name, check_bar_mm=self._check_bar_mm)
        except ModelError as error:
            raise TakingError(str(error)) from error

    def _notes(self, seen: Photo | None, lay: Lay, sent: str | None = None) -> dict[str, Any]:
        pixels = None if seen is None else hash_of_pixels(seen)
        return notes_of(pixels, Options(check_bar_mm=self._check_bar_mm), lay, sent)

    def _read_anew(self, survey: SurveyWriter, known: PlantRow, data: bytes) -> PlantRow:
        """Read a photo that the program had failed on; memory may have been short just then."""
        reading, seen = self._read(data, known.photo)
        survey.add_reading(
            replace(reading, path=known.path, sha256=known.sha256),
            sha256=known.sha256,
            model=self._model_facts(),
            again=True,
            refile=False,
            notes=self._notes(seen, lay_at(survey, known.sha256)),
        )
        # What its pixels are may be known only now, and another file hold them.
        twin = known_as(survey, known.sha256, None, filed=True)
        if twin is not None:
            survey.say_one_picture(twin, known.sha256)
        return survey.plant(known.sha256) or known

    def _take_known(
        self, survey: SurveyWriter, known: PlantRow, place: Place, of: str | None
    ) -> None:
        """Make of a photo that the survey has already what was asked, and no second plant."""
        first = None if of is None else survey.plant(of)
        if first is not None:
            if first.sha256 == known.sha256 or same_picture(first.record, known.record):
                raise TakingError(SAME_PHOTO)
            place = _beside(first)
        if known.field is None:
            # Each of its files says where it lies; one will do to file what they hold.
            lies = next(map(survey.file_at, survey.files_of(known.sha256)), None)
            if lies is not None:
                survey.note_file(known.sha256, lies[0], place)
        if first is None:
            return
        if known.plant is None:
            self._put_together(survey, first.sha256, known.sha256)
        elif (_beside(known), known.plant) != (_beside(first), first.plant):
            raise TakingError(
                f"The survey has this photo already, as {known.photo} of another plant: take "
                "another photo of this one."
            )

    @staticmethod
    def _put_together(survey: SurveyWriter, first: str, second: str) -> None:
        try:
            survey.say_one_plant([first, second])
        except SurveyError as error:
            raise TakingError(f"{error} The photo is kept as a plant of its own.") from error

    def _write(self, data: bytes, sha256: str, day: str) -> Path:
        folder = self.folder / day
        path = folder / f"{day}-{sha256[:12]}.jpg"
        part = path.with_suffix(".part")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            part.write_bytes(data)
            os.replace(part, path)
        except OSError as error:
            raise TakingError(
                f"The photo can't be stored on the computer ({error.strerror}): "
                f"{what_to_do(error, 'folder')}."
            ) from error
        return path.absolute()

    def _model_facts(self) -> ModelFacts:
        if self._model is None:
            from collarvision.batch.worker import model_hash
            from collarvision.calibration import load_calibration
            from collarvision.network import load_network

            version, calibration = load_network().version, load_calibration().id
            self._model = ModelFacts(model_hash(), version, calibration)
        return self._model


def _beside(row: PlantRow) -> Place:
    """Where another photo of its plant goes."""
    return Place(row.field, row.date, row.stop, "page")


def _encoded(photo: Photo) -> bytes:
    """A JPEG of the upright pixels with the facts that a reading needs, and nothing else."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(photo.rgb).save(out, "JPEG", quality=_QUALITY, exif=_exif(photo))
    return out.getvalue()


def _exif(photo: Photo) -> Any:
    from PIL import Image

    exif = Image.Exif()
    inner = exif.get_ifd(_EXIF_IFD)
    if photo.taken_at is not None:
        exif[_DATE_TIME] = inner[_DATE_TIME_ORIGINAL] = photo.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    if photo.focal_eq_mm is not None:
        inner[_FOCAL_35MM] = round(photo.focal_eq_mm)
    if photo.gps is not None:
        latitude, longitude = photo.gps
        gps = exif.get_ifd(_GPS_IFD)
        gps[1], gps[2] = "S" if latitude < 0 else "N", _degrees(latitude)
        gps[3], gps[4] = "W" if longitude < 0 else "E", _degrees(longitude)
    return exif


def _degrees(value: float) -> tuple[float, float, float]:
    """Degrees, minutes and seconds to 1/1000 s, some 3 cm."""
    thousandths = round(abs(Fraction(value)) * 3_600_000)
    degrees, rest = divmod(thousandths, 3_600_000)
    minutes, seconds = divmod(rest, 60_000)
    return float(degrees), float(minutes), seconds / 1000
