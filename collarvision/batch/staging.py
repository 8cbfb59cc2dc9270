"""Staging: files through an engine into a survey, each content once for each model and calibration.

Running the same batch again is the resume: what the survey holds from this network by this
calibration is passed over, unless the program failed on it. A calibration works on what the
network saw, which no record keeps, so that a new one reads its photos again and adds a reading. The
survey is written to here and nowhere else, a transaction a photo, so that a run that is killed
loses at most the photos in hand, which the next run reads again.
"""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

from collarvision.answer import Reading
from collarvision.batch import otherwise
from collarvision.batch.filing import Filing
from collarvision.batch.folders import place_from_folders
from collarvision.batch.knownpicture import join, known_as
from collarvision.batch.otherwise import source_folders
from collarvision.batch.plantnames import has_left_its_plant, plant_name
from collarvision.batch.pool import Engine, Poisoned
from collarvision.batch.quicklook import known_hash
from collarvision.batch.remote import hash_far_away, hash_of, look_at
from collarvision.batch.restaging import read_again_since
from collarvision.batch.result import BatchResult, JoinedPicture, JoinedStop, Step
from collarvision.batch.sources import PhotoFile
from collarvision.batch.undated import Undated
from collarvision.batch.worker import Done, Options, Task
from collarvision.survey import FileFacts, ModelFacts, PhotoFacts, Place, SurveyWriter
from collarvision.survey.asread import as_read
from collarvision.survey.plantfolders import known_stop, place_of
from collarvision.survey.rows import storable


@dataclass(frozen=True)
class Job:
    """What to stage.

    Attributes
    ----------
    files : iterable of PhotoFile or None
        May go on for ever, with None for "nothing just now" (see `collarvision.batch.watching`).
    model : ModelFacts
        Of the network that will read; what the survey has from it is passed over.
    filing : Filing
    restage : bool
        Read again, and file again, what the survey has already.
    options : Options, optional
        What the run asks for, to tell of known photos that were read with something else.
    since_ns : int, optional
        When a run of the same restaging began that was stopped: what it read isn't read again.
    """

    files: Iterable[PhotoFile | None]
    model: ModelFacts
    filing: Filing = field(default_factory=Filing)
    restage: bool = False
    options: Options | None = None
    since_ns: int | None = None


def run_batch(
    job: Job,
    survey: SurveyWriter,
    engine: Engine,
    *,
    stopping: Callable[[], bool] = lambda: False,
    tell: Callable[[Step, str], None] = lambda step, name: None,
) -> BatchResult:
    """Stage what the survey doesn't have yet.

    Parameters
    ----------
    job : Job
    survey : SurveyWriter
    engine : Engine
    stopping : callable
        Asked often; once True, photos in hand are finished and no more begun.
    tell : callable
        Called with each file's `Step` and name as it happens.

    Returns
    -------
    BatchResult

    Raises
    ------
    collarvision.survey.SurveyError
        The survey can't be written to any more.
    collarvision.batch.pool.EngineError
        No photo can be read any more.
    """
    began = time.monotonic()
    run = _Run(job, survey, tell)
    for end in engine.run(run.tasks(), stopping):
        run.take(end)
    done = sum(run.steps.values())
    undated, unclear_days = run.undated.left(survey)
    return BatchResult(
        steps=run.steps,
        unread=tuple(run.unread),
        quarantined=tuple(run.quarantined),
        faults=run.faults,
        unfiled=run.unfiled,
        stopped=not run.ended or done < run.taken,
        seconds=time.monotonic() - began,
        above=run.above,
        above_rejected=run.above_rejected,
        undated=undated,
        unclear_days=unclear_days,
        rejected=tuple(run.rejected),
        unopened=tuple(run.unopened),
        replaced=tuple(run.replaced),
        same_pictures=run.same_pictures,
        tried_again=len(run.tried_again & run.read_now),
        read_otherwise=tuple((count, *said) for said, count in run.otherwise.items()),
        read_since=run.read_since,
        filed_otherwise=tuple(otherwise.told_otherwise(survey, run.elsewhere)),
        refiled=tuple(one for one in otherwise.told_otherwise(survey, run.moved) if one.at_stops),
        joined_stops=tuple(JoinedStop(*said, len(them)) for said, them in run.joined.items()),
        joined_pictures=tuple(dict.fromkeys(run.joined_pictures)),
    )


@dataclass
class _Pending:
    """A content in an engine's hands: the file it is read from, and its copies found meanwhile."""

    file: PhotoFile
    facts: FileFacts
    copies: list[tuple[PhotoFile, FileFacts]] = field(default_factory=list)


class _Run:
    """The book-keeping of one run."""

    def __init__(self, job: Job, survey: SurveyWriter, tell: Callable[[Step, str], None]) -> None:
        self._job, self._survey, self._tell = job, survey, tell
        self._pending: dict[int, _Pending] = {}
        self._number_of: dict[str, int] = {}
        self.read_now: set[str] = set()
        self.tried_again: set[str] = set()
        self.otherwise: Counter[tuple[str, str]] = Counter()
        self.elsewhere: defaultdict[otherwise.Said, set[str]] = defaultdict(set)
        self.moved: defaultdict[otherwise.Said, set[str]] = defaultdict(set)
        self.joined: defaultdict[tuple[Place, str], set[str]] = defaultdict(set)
        self.joined_pictures: list[JoinedPicture] = []
        self.same_pictures = 0
        self.read_since = 0
        self.steps: Counter[Step] = Counter()
        self.unread: list[tuple[str, str]] = []
        self.rejected: list[tuple[str, str]] = []
        self.unopened: list[tuple[str, str]] = []
        self.replaced: list[tuple[str, str, str]] = []
        self.quarantined: list[str] = []
        self.faults = 0
        self.unfiled = 0
        self.undated = Undated()
        self.above = 0
        self.above_rejected = 0
        self.taken = 0
        self.ended = False

    def tasks(self) -> Iterator[Task | None]:
        """Files that must be read; None for each that need not."""
        for file in self._job.files:
            if file is None:
                yield None
                continue
            self.taken += 1
            yield self._task(file, self.taken)
        self.ended = True

    def take(self, end: Done | Poisoned) -> None:
        """Store what an engine gives back."""
        pending = self._pending.pop(end.task.number)
        if end.task.sha256 is not None:
            del self._number_of[end.task.sha256]
        if isinstance(end, Poisoned):
            self._quarantine(end, pending)
            return
        if end.sha256 != end.task.sha256:
            # Deleted, or written to, since it was looked at: what its copies are is open again.
            for file, _ in pending.copies:
                self._note_unread(file, "A copy of it changed meanwhile: run this batch again.")
            pending.copies.clear()
        if end.sha256 is None:
            self._note_unread(pending.file, end.reading.reasons[0])
            return
        self._store(end, end.sha256, pending)

    def _task(self, file: PhotoFile, number: int) -> Task | None:
        if file.trouble is not None:
            self._note_unread(file, file.trouble)
            return None
        facts = look_at(file.where)
        sha256 = None
        if facts is not None:
            sha256 = known_hash(self._survey, facts) or hash_of(file.where)
        if facts is None or sha256 is None:
            # The photo room knows best what to say of a file that can't be opened.
            self._pending[number] = _Pending(file, facts or FileFacts(file.where, 0, 0, 0))
            return Task(number, file.where, None)
        if sha256 in self._number_of:
            self._pending[self._number_of[sha256]].copies.append((file, facts))
            return None
        if self._is_done(sha256, facts):
            self._note_copy(file, facts, sha256, "copy" if sha256 in self.read_now else "known")
            return None
        self._pending[number] = _Pending(file, facts)
        self._number_of[sha256] = number
        return Task(number, file.where, sha256)

    def _is_done(self, sha256: str, facts: FileFacts) -> bool:
        if sha256 in self.read_now:
            return True
        read = as_read(self._survey, sha256, self._job.model)
        if read is None:
            return False
        if read.fault:  # memory may have been short just then
            self.tried_again.add(sha256)
            return False
        if self._job.restage:
            since = self._job.since_ns
            if since is None or not read_again_since(self._survey, facts.path, read, since):
                return False
            self.read_since += 1
        if self._job.options is not None:
            self.otherwise.update(otherwise.read_otherwise(read, self._job.options))
        return True

    def _store(self, done: Done, sha256: str, pending: _Pending) -> None:
        reading = done.reading
        place, called = self._place(
            pending.file, reading.gps, reading.taken_at, done.code_field, done.code_stop
        )
        before = self._survey.file_at(pending.facts.path)
        fresh = sha256 not in self.read_now
        restaged = self._job.restage and fresh
        read_at_last = fresh and sha256 in self.tried_again
        was = self._survey.photo(sha256)
        is_new = was is None
        was_at = place_of(self._survey, sha256) if restaged else None
        stays = was is not None and was.filed and not (restaged and place.field is not None)
        lay = otherwise.lies(pending.file, pending.facts.path, place)
        lay = otherwise.lay_at(self._survey, sha256) if stays else lay
        new = self._survey.add_reading(
            reading,
            sha256=sha256,
            model=done.model or self._job.model,
            place=place,
            file=pending.facts,
            again=restaged or read_at_last,
            refile=restaged,
            notes=otherwise.notes_of(done.pixels_sha256, done.options, lay),
        )
        if not stays:
            self._note_joined(sha256, place, called)
        if was is not None and fresh and not restaged:
            self._note_otherwise(pending.file, pending.facts, was)
        if restaged and place.plant is None and has_left_its_plant(self._survey, sha256):
            self._survey.say_own_plants([sha256])
        if reading.outcome != "rejected" and not self._is_known_picture(
            sha256, before, is_new=is_new or read_at_last, restaged=restaged
        ):
            self._note_replaced(pending.file, before, sha256)
        moved = otherwise.refiled(self._survey, sha256, was_at) if restaged else None
        if moved is not None:
            self.moved[moved].add(sha256)
        seen: Step = "known" if fresh else "copy"
        self.read_now.add(sha256)
        self.unfiled += place.field is None
        if place.date is None and reading.photo_size is not None:
            self.undated.note(sha256, pending.file)
        if new and reading.outcome == "rejected":
            self._note_rejected(reading, pending.file, place)
        self.faults += new and reading.fault is not None
        from_above = new and reading.view == "above"
        self.above += from_above
        self.above_rejected += from_above and reading.outcome == "rejected"
        self._count(reading.outcome if new else seen, pending.file)
        for file, facts in pending.copies:
            self._note_copy(file, facts, sha256, "copy")

    def _note_copy(self, file: PhotoFile, facts: FileFacts, sha256: str, step: Step) -> None:
        place = None
        photo = self._survey.photo(sha256)
        if photo is not None and not photo.filed:
            place, called = self._place(file, photo.gps, photo.taken_at)
            self._note_joined(sha256, place, called)
            self.unfiled += place.field is None and step == "known"
            if place.date is None and step == "known" and photo.size_px is not None:
                self.undated.note(sha256, file)
        elif photo is not None and step == "known":
            self._note_otherwise(file, facts, photo)
        before = self._survey.file_at(facts.path)
        self._survey.note_file(sha256, facts, place)
        if not self._is_known_picture(sha256, before):
            self._note_replaced(file, before, sha256)
        self._count(step, file)

    def _note_otherwise(self, file: PhotoFile, facts: FileFacts, photo: PhotoFacts) -> None:
        said = otherwise.filed_otherwise(self._survey, photo, file, facts.path, self._job.filing)
        if said is not None:
            self.elsewhere[said].add(photo.sha256)

    def _is_known_picture(
        self,
        sha256: str,
        before: tuple[FileFacts, str] | None,
        *,
        is_new: bool = False,
        restaged: bool = False,
    ) -> bool:
        """Whether the survey has this picture in another file; then it is one plant."""
        known = known_as(self._survey, sha256, before, filed=is_new or restaged)
        if known is None:
            return False
        refile = self._job.restage and known not in self.read_now
        joined = join(self._survey, known, sha256, refile=refile)
        self.joined_pictures += [] if joined is None else [joined]
        self.same_pictures += is_new
        return True

    def _note_replaced(
        self, file: PhotoFile, before: tuple[FileFacts, str] | None, sha256: str
    ) -> None:
        """A file changed in place leaves its earlier photo behind, as a plant of its own."""
        if before is None or before[1] == sha256 or any(self._survey.files_of(before[1])):
            return
        plant = self._survey.plant(before[1])
        if plant is not None and (plant.outcome != "rejected" or plant.hand_count is not None):
            self.replaced.append((file.name, before[1], sha256))

    def _note_rejected(self, reading: Reading, file: PhotoFile, place: Place) -> None:
        if reading.fault is not None or reading.view != "side":
            return
        why = reading.reasons[0] if reading.reasons else "No reason was given."
        if reading.photo_size is None:
            self.unopened.append((file.where, why))
            return
        stop = f"stop {place.stop}" if place.stop else None
        said = [part for part in (place.field, place.date, stop, file.name) if part]
        self.rejected.append((", ".join(said), why))

    def _quarantine(self, end: Poisoned, pending: _Pending) -> None:
        sha256 = end.task.sha256 or hash_far_away(pending.file.where)
        if sha256 is None:
            self._note_unread(pending.file, f"Reading it ended the program twice ({end.why}).")
            return
        reading = Reading(
            photo=pending.file.name,
            path=pending.file.where,
            sha256=sha256,
            outcome="rejected",
            reasons=(
                "Reading this photo ended the program twice, so it was left aside: count this "
                "plant by hand, and report the fault.",
            ),
            fault=f"the process that read it ended twice, the last time {end.why}",
        )
        self.quarantined.append(pending.file.where)
        self._store(Done(end.task, reading, sha256), sha256, pending)

    def _place(
        self,
        file: PhotoFile,
        gps: tuple[float, float] | None,
        taken_at: str | None,
        code_field: str | None = None,
        code_stop: str | None = None,
    ) -> tuple[Place, str | None]:
        """Where a file belongs, with its stop as the visit knows it, and as the file calls it."""
        said = self._job.filing.place(
            place_from_folders(file.folders),
            source=source_folders(file.source),
            gps=gps,
            taken_at=taken_at,
            code_field=code_field,
            code_stop=code_stop,
        )
        place = replace(said, stop=known_stop(self._survey, said))
        return replace(place, plant=plant_name(self._survey, file.where, place)), said.stop

    def _note_joined(self, sha256: str, place: Place, called: str | None) -> None:
        if called and place.field is not None and place.stop != storable(called):
            self.joined[Place(place.field, place.date, place.stop), called].add(sha256)

    def _note_unread(self, file: PhotoFile, sentence: str) -> None:
        self.unread.append((file.where, sentence))
        self._count("unread", file)

    def _count(self, step: Step, file: PhotoFile) -> None:
        self.steps[step] += 1
        self._tell(step, file.name)
