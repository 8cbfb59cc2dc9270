"""Values: what goes into a survey and what comes out, as frozen types."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from collarvision.answer import Outcome
from collarvision.handles import Handle

FiledBy = Literal["code", "folder", "gps", "option", "source", "page"]
CountWay = Literal["agreed", "marked", "on-plant", "split-stalk", "imported"]
NotCounted = Literal["no-plant", "several", "not-corn", "cannot-tell"]


@dataclass(frozen=True)
class Place:
    """Where a photo belongs.

    Attributes
    ----------
    field, stop : str or None
    date : str or None
        Of the visit, ``YYYY-MM-DD``.
    plant : str or None
        The plant's name there: photos that share visit, stop and name show one plant.
    filed_by : str or None
        What told the field: the card's ``code``, a ``folder`` name, ``gps`` inside a boundary, an
        ``option`` on the command line, the name of the ``source`` folder, or the hand-count
        ``page`` that took the photo.
    """

    field: str | None = None
    date: str | None = None
    stop: str | None = None
    filed_by: FiledBy | None = None
    plant: str | None = None


@dataclass(frozen=True)
class FileFacts:
    """A file as it was when its content was hashed; `seen_ns` is the clock then."""

    path: str
    size: int
    mtime_ns: int
    seen_ns: int


@dataclass(frozen=True)
class PhotoFacts:
    """A photo by its content, and what its file says of it.

    Attributes
    ----------
    view : str
        ``side`` or ``above``.
    filed : bool
        It belongs to a field.
    taken_at : str or None
        ISO 8601.
    gps : (latitude, longitude) or None
        Degrees WGS 84.
    size_px : (width, height) or None
        Upright.
    """

    sha256: str
    name: str
    view: str
    filed: bool
    taken_at: str | None
    gps: tuple[float, float] | None
    focal_eq_mm: float | None
    size_px: tuple[int, int] | None


@dataclass(frozen=True)
class ModelFacts:
    """What read a photo: the network's file by its hash and its own name, and the calibration."""

    sha256: str
    name: str | None
    calibration: str


@dataclass(frozen=True)
class Field:
    """A field. `boundary` is a GeoJSON geometry; `photos` counts those of all its visits."""

    id: int
    name: str
    boundary: dict[str, Any] | None
    visits: int
    photos: int


@dataclass(frozen=True)
class Visit:
    """One day in a field. `date` is ``YYYY-MM-DD`` or None."""

    id: int
    field: str
    date: str | None
    photos: int


@dataclass(frozen=True)
class Stop:
    """A place in a field on one visit. `gps` is (latitude, longitude), degrees WGS 84."""

    id: int
    field: str
    date: str | None
    name: str
    gps: tuple[float, float] | None


@dataclass(frozen=True)
class StageCount:
    """How many plants of a visit were read so, by their latest readings."""

    field: str | None
    date: str | None
    outcome: Outcome
    stage: int | None
    plants: int


@dataclass(frozen=True)
class HandCount:
    """What a person counted on a plant.

    Attributes
    ----------
    who, counted_at : str
        `counted_at` in ISO 8601.
    stage : int or None
        Collars, lost leaves included.
    nodes : int or None
        Nodes that stand apart in the split stalk (see `collarvision.splitstalk`).
    height_mm : float or None
    note : str or None
    way : str or None
        ``agreed`` with the reading or ``marked`` on the photo; counted ``on-plant`` or from a
        ``split-stalk``, in the field; ``imported``. None where nobody said.
    id : int or None
        Of a survey's count: of two that were made at one moment, the higher came in later.
    """

    who: str
    counted_at: str
    stage: int | None = None
    nodes: int | None = None
    height_mm: float | None = None
    note: str | None = None
    way: CountWay | None = None
    id: int | None = field(default=None, compare=False)

    @property
    def made(self) -> tuple[str, int]:
        """What counts are put in order by: when they were made, and came in."""
        return self.counted_at, self.id or 0


@dataclass(frozen=True)
class Withdrawn:
    """A count that was taken back: it stays on the record and counts for nothing.

    Attributes
    ----------
    count : HandCount
    who, said_at : str
        Who took it back, and when: UTC, ISO 8601.
    reason : str
        As that person gave it.
    """

    count: HandCount
    who: str
    said_at: str
    reason: str


@dataclass(frozen=True)
class StoredCount:
    """A hand count of a photo's plant, the points it rests on, and what the person was shown.

    Attributes
    ----------
    id : int
        A later count has a higher one.
    handles : tuple of Handle
        As marked, or as agreed to; empty for a count of the plant itself.
    read_stage, read_outcome, model_sha256 : int, str, str, or None
        Of the reading that was shown, else of the photo's latest one.
    one_plant : str
        The same for the photos of one plant, and for no others; else the photo's hash, or empty.
    """

    id: int
    sha256: str
    photo: str
    field: str | None
    date: str | None
    count: HandCount
    handles: tuple[Handle, ...]
    read_stage: int | None
    read_outcome: Outcome
    model_sha256: str
    one_plant: str = ""


@dataclass(frozen=True)
class SetAside:
    """A person's word that a photo holds no plant that can be counted."""

    who: str
    said_at: str
    reason: NotCounted


@dataclass(frozen=True)
class PlantRow:
    """One plant: its photo, the latest reading of it, and what people counted last.

    Attributes
    ----------
    path : str or None
        Where the content was seen last.
    gps : (latitude, longitude) or None
        Of the photo, else of its stop; degrees WGS 84.
    hand_count : HandCount or None
        The last one that tells collars or nodes, with the last height that anybody measured; the
        two may have been entered one by one. `SurveyReader.hand_counts` has each as it was made.
    record : dict
        The whole record of the latest reading (see `collarvision.record`).
    reading_id : int or None
        Of that reading.
    set_aside : str or None
        Why a person found nothing to count, when that was said after the last count of a stage or
        of nodes.
    plant : str or None
        The plant's name at its stop, where photos were said to be of one plant.
    height_at, height_id : str, int, or None
        When the height in `hand_count` was measured, ISO 8601, and the id of that count.
    others : tuple of PlantRow
        The plant's other photos, once they have been put together (see `collarvision.plantphotos`).
    """

    photo: str
    sha256: str
    path: str | None
    view: str
    field: str | None
    date: str | None
    stop: str | None
    taken_at: str | None
    gps: tuple[float, float] | None
    outcome: Outcome
    stage: int | None
    confidence: float | None
    height_mm: float | None
    read_at: str
    model: str | None
    calibration: str
    hand_count: HandCount | None
    record: dict[str, Any]
    reading_id: int | None = None
    set_aside: NotCounted | None = None
    plant: str | None = None
    others: tuple[PlantRow, ...] = ()
    height_at: str | None = None
    height_id: int | None = None


@dataclass(frozen=True)
class StoredReading:
    """One reading of a photo's history."""

    model: str | None
    model_sha256: str
    calibration: str
    attempt: int
    read_at: str
    outcome: Outcome
    stage: int | None
    confidence: float | None
    height_mm: float | None
    latest: bool
    record: dict[str, Any]


@dataclass(frozen=True)
class Waiting:
    """A photo whose latest reading asks for a hand count that nobody has made or refused yet."""

    field: str | None
    date: str | None
    stop: str | None
    photo: str
    sha256: str
    stage: int | None
    reasons: tuple[str, ...]
    plant: str | None = None


@dataclass(frozen=True)
class Limit:
    """A limit as the user typed it from the label in hand; `terms` as JSON values."""

    id: int
    name: str
    terms: dict[str, Any]
    who: str
    entered_at: str


@dataclass(frozen=True)
class Decision:
    """What was decided for a visit, under which limit, and what it rested on then."""

    id: int
    field: str
    date: str | None
    limit: str | None
    who: str
    decided_at: str
    verdict: str
    basis: dict[str, Any]
