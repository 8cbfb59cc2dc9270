"""Saving: what a page sends, checked again here, and stored as one more row."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from collarvision.agreement import IN_THE_FIELD, disputed, stage_counted
from collarvision.answer import stage_name
from collarvision.countwords import (
    ENTER_AGAIN,
    doubtful_words,
    later_count,
    later_words,
    refused_words,
)
from collarvision.handcount.measuring import yardstick
from collarvision.handles import (
    HIGHEST_RANK,
    Handle,
    Part,
    handles_of_record,
    point_of,
    problems,
    shows_a_leaf,
    stage_of,
)
from collarvision.plantphotos import whole_plant
from collarvision.splitstalk import NodeCountError, collars_from_nodes
from collarvision.survey import (
    CountWay,
    HandCount,
    NotCounted,
    PlantRow,
    StoredCount,
    SurveyReader,
    SurveyWriter,
)
from collarvision.table import plain
from collarvision.units import MM_PER

_MOST_HANDLES: Final = 80
_MOVED_PX: Final = 0.5
_TALLEST_MM: Final = 5000.0
_LONGEST_WAIT_S: Final = 30 * 86400.0
_MARK_AGAIN: Final = "see where the soil line, the arch and the collars are marked, and save again"

Who = Annotated[str, Field(min_length=1, max_length=60)]
Waited = Annotated[float, Field(ge=0, le=_LONGEST_WAIT_S)]
"""Seconds since it was entered, by the device's own clock: without a connection it is kept there.
A difference, so that it doesn't matter whether that clock is right."""
Key = Annotated[str, Field(min_length=16, max_length=64, pattern=r"^[0-9a-z-]+$")]


class SaveError(Exception):
    """What was sent can't be stored; `str(error)` is one sentence for the page."""

    def __init__(self, words: str, status: int = 422) -> None:
        super().__init__(words)
        self.status = status


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class SentHandle(_Sent):
    """A handle as a page sends it; see `collarvision.handles.Handle`."""

    part: Part
    x: float | None = None
    y: float | None = None
    rank: int | None = None
    occluded: bool = False
    lost: bool = False
    rounded: bool = False


class _SentEntry(_Sent):
    """What a person entered on a plant's page.

    `shown_at` is when the computer gave that page, and `after` the key of what was entered on the
    plant before, where that was still to be sent.
    """

    who: Who
    save_key: Key
    waited_s: Waited = 0
    shown_at: AwareDatetime | None = None
    after: Key | None = None


class SentCount(_SentEntry):
    """A count as a page sends it.

    `seen` is the id of the last count that the page knew of when it was loaded, and `unit` the one
    that the height was typed in.
    """

    way: Literal["agreed", "marked", "on-plant", "split-stalk"]
    reading_id: int
    seen: int = 0
    handles: Annotated[list[SentHandle], Field(max_length=_MOST_HANDLES)] = []
    stage: int | None = None
    nodes: int | None = None
    height_mm: float | None = None
    unit: Literal["in", "cm"] | None = None
    note: Annotated[str, Field(max_length=500)] | None = None


class SentAside(_SentEntry):
    """Word that there is nothing to count."""

    reason: NotCounted


@dataclass(frozen=True)
class Saved:
    """What became of a count.

    Attributes
    ----------
    id : int
    words : str
        What was stored, such as V5.
    new_to_page : tuple of StoredCount
        Others' counts that came in since the page was loaded.
    apart : dict of str to int
        Each person's stage where they differ; empty where they agree.
    doubt : str or None
        Where height and stage hardly go together, or another count stands: said in sentences.
    """

    id: int
    words: str
    new_to_page: tuple[StoredCount, ...]
    apart: dict[str, int]
    doubt: str | None = None


def read_sent(kind: type[_Sent], body: bytes) -> Any:
    """Read what a page sent.

    Raises
    ------
    SaveError
        It isn't what a page sends.
    """
    try:
        return kind.model_validate_json(body)
    except ValidationError as error:
        first = error.errors()[0]
        if first["loc"][:1] == ("who",):
            raise SaveError("Say who you are first: a name of 1 to 60 letters.") from error
        place = ".".join(str(step) for step in first["loc"])
        raise SaveError(f"This can't be stored ({place}: {first['msg']}).") from error


def save_count(survey: SurveyWriter, plant: PlantRow, sent: SentCount) -> Saved:
    """Store a count as a new row; the same save sent again is found, not stored twice.

    Raises
    ------
    SaveError
        It contradicts itself, or agrees to a reading that isn't the latest any more.
    collarvision.survey.SurveyError
        It can't be written.
    """
    stored = survey.count_saved(sent.save_key)
    if stored is None:
        count_id, count = _added(survey, plant, sent)
    else:
        count_id, count = stored.id, stored.count
    whole = whole_plant(survey, plant)
    counts = counts_of(survey, whole)
    stage = stage_counted(count)
    return Saved(
        id=count_id,
        words="a height" if stage is None else stage_name(stage),
        new_to_page=tuple(
            c for c in counts if sent.seen < c.id < count_id and c.count.who != count.who
        ),
        apart=apart_on(counts),
        doubt=_doubt(survey, [one.count for one in counts], count, sent, plant.sha256),
    )


def _doubt(
    survey: SurveyReader,
    kept: Sequence[HandCount],
    count: HandCount,
    sent: SentCount,
    sha256: str,
) -> str | None:
    """Where this count hardly goes with the plant's others, or isn't the one that stands."""
    told = [doubtful_words(kept, stage_counted(count), _typed(sent), count.height_mm)]
    if (later := later_count(kept, count)) is not None:
        told.append(later_words(later))
    now = survey.plant(sha256)
    if now is not None and now.set_aside is not None:
        who = plain(list(survey.set_asides(sha256))[-1].who)
        told.append(
            f"{who} set the photo aside later, and that stands: count it again if it can be "
            "counted."
        )
    return " ".join(filter(None, told)) or None


def _typed(sent: SentCount) -> str | None:
    """The height as it was typed; None where none was, or the page didn't say in which unit."""
    if sent.way not in IN_THE_FIELD or sent.unit is None or sent.height_mm is None:
        return None
    return f"{sent.height_mm / float(MM_PER[sent.unit]):.6g} {sent.unit}"


def _added(survey: SurveyWriter, plant: PlantRow, sent: SentCount) -> tuple[int, HandCount]:
    shown = sent.reading_id == plant.reading_id
    if sent.way == "agreed" and not shown:
        # What was counted on the plant, or marked in the photo, holds whatever was read since.
        raise SaveError("The photo was read again meanwhile: load the page again.", 409)
    handles = _handles(plant, sent)
    count = _count(plant, sent, handles, _moment(survey, sent))
    count_id = survey.add_hand_count(
        plant.sha256,
        count,
        handles=handles,
        reading_id=plant.reading_id if shown else None,
        save_key=sent.save_key,
    )
    return count_id, count


def save_aside(survey: SurveyWriter, plant: PlantRow, sent: SentAside) -> str | None:
    """Store that a photo holds nothing to count; gives a sentence where a later count stands."""
    who, said_at = plain(sent.who), _moment(survey, sent)
    survey.set_aside(plant.sha256, who, sent.reason, sent.save_key, said_at)
    row = survey.plant(plant.sha256)
    if row is None or row.set_aside is not None or row.hand_count is None:
        return None
    return later_words(row.hand_count)


def _moment(survey: SurveyReader, sent: _SentEntry) -> str:
    """When it was entered: UTC, ISO 8601.

    The wait alone may be wrong: the device's clock may have been put right meanwhile, and what was
    entered before may have been on its way for longer than this waited.
    """
    now = datetime.now(UTC)
    times = [now - timedelta(seconds=sent.waited_s)]
    if sent.shown_at is not None:
        times.append(min(sent.shown_at, now))
    before = None if sent.after is None else survey.entered_at(sent.after)
    if before is not None:
        times.append(datetime.fromisoformat(before) + timedelta(milliseconds=1))
    return max(times).astimezone(UTC).isoformat(timespec="milliseconds")


def agreed_handles(record: dict[str, Any]) -> tuple[Handle, ...]:
    """The reading's own handles, where they say the stage that it gave; else none.

    A reading weighs more than the points it shows, so the two may differ. Who agrees to the stage
    has then not agreed to the points.
    """
    handles = handles_of_record(record)
    if problems(handles) or stage_of(handles) != record.get("stage"):
        return ()
    return handles


def counts_of(survey: SurveyReader, whole: PlantRow) -> list[StoredCount]:
    """All counts of a plant, on whichever of its photos, the one made first comes first."""
    found = [one for row in (whole, *whole.others) for one in survey.counts(row.sha256)]
    return sorted(found, key=lambda one: one.count.made)


def apart_on(counts: Sequence[StoredCount]) -> dict[str, int]:
    """Each person's stage where people count one plant, whose counts these are, differently."""
    return next(iter(disputed(counts).values()), {})


def _handles(plant: PlantRow, sent: SentCount) -> tuple[Handle, ...]:
    if sent.way == "agreed":
        return agreed_handles(plant.record)
    if sent.way != "marked":
        return ()
    handles = tuple(Handle(**handle.model_dump()) for handle in sent.handles)
    if any(h.lost != (h.part == "leaf") for h in handles):
        raise SaveError("A lost leaf has no collar and no tip: load the page again.")
    handles = tuple(_tidied(h) for h in handles)
    size = plant.record.get("photo_size")
    wrong = problems(handles, None if size is None else tuple(size))
    if wrong:
        raise SaveError(wrong[0])
    return handles


def _tidied(handle: Handle) -> Handle:
    """To 1/100 px: a screen's position has more digits than meaning."""
    if handle.lost:
        return Handle("leaf", rank=handle.rank, lost=True)
    x, y = (None if v is None else round(v, 2) for v in (handle.x, handle.y))
    return Handle(handle.part, x, y, handle.rank, handle.occluded, False, handle.rounded)


def _count(plant: PlantRow, sent: SentCount, handles: Sequence[Handle], made_at: str) -> HandCount:
    stage, nodes, height = sent.stage, None, sent.height_mm
    if sent.way == "agreed":
        stage, height = plant.stage, None
        if stage is None:
            raise SaveError("There is no stage to agree with: mark the collars or type a count.")
    elif sent.way == "marked":
        if not shows_a_leaf(handles):
            raise SaveError("Nothing is marked: mark a collar or a leaf's tip, or type a count.")
        stage, height = stage_of(handles), _marked_height(plant, handles)
    elif sent.way == "split-stalk":
        stage, nodes = None, sent.nodes
        try:
            collars_from_nodes(-1 if nodes is None else nodes)
        except NodeCountError as error:
            raise SaveError(str(error)) from error
    elif stage is None or not 0 <= stage <= HIGHEST_RANK:
        raise SaveError(f"Give the number of collars, 0 to {HIGHEST_RANK}.")
    if height is not None and not (math.isfinite(height) and 0 < height <= _TALLEST_MM):
        raise SaveError("The height can't be that of a corn plant: check number and unit.")
    way: CountWay = sent.way
    note = plain(sent.note) if sent.note else None
    made = HandCount(plain(sent.who), made_at, stage, nodes, height, note, way)
    collars = stage_counted(made)
    if collars is not None and height is not None:
        then = _MARK_AGAIN if way == "marked" else ENTER_AGAIN
        refused = refused_words(collars, height, _typed(sent), then)
        if refused is not None:
            raise SaveError(refused)
    return made


def _marked_height(plant: PlantRow, handles: Sequence[Handle]) -> float | None:
    """Height between the two handles; None where they weren't moved: the reading's own stands."""
    soil, arch = point_of(handles, "soil"), point_of(handles, "arch")
    ruler = yardstick(plant.record)
    if soil is None or arch is None or ruler is None:
        return None
    was = [plant.record.get(name) for name in ("soil_line", "arch")]
    if plant.height_mm is not None and all(
        old is not None and math.dist(old, new) < _MOVED_PX
        for old, new in zip(was, (soil, arch), strict=True)
    ):
        return None
    height = ruler.height_mm(soil, arch)
    return None if height is None else round(height, 1)
