"""The record: one JSON object a photo, the contract with everything that reads our output.

`Record` describes it field by field and checks a line read back from a ``jsonl`` file. Fields may
be added over time; none listed here is renamed or changes its meaning.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

Probability = Annotated[float, Field(ge=0.0, le=1.0)]
PixelPair = tuple[float, float]


class _Part(BaseModel):
    # Records written by a newer version may hold more: keep it, don't refuse it.
    model_config = ConfigDict(extra="allow", frozen=True)


class CollarRecord(_Part):
    """A leaf collar that shows; `rank` counts from the rounded first leaf, lost leaves included."""

    rank: int | None
    x: float
    y: float
    score: Probability


class TipRecord(_Part):
    """A leaf tip that shows."""

    rank: int | None
    x: float
    y: float
    shape: Literal["rounded", "pointed"] | None
    score: Probability


class FirstLeafRecord(_Part):
    """Whether the rounded first leaf is still on the plant."""

    present: bool
    score: Probability


class CardRecord(_Part):
    """How the scale card was seen."""

    markers_found: int
    tilt_deg: float
    relative_error: float
    focal_assumed: bool
    corners: list[PixelPair]


class AloneRecord(_Part):
    """What one of a plant's photos said by itself."""

    photo: str
    sha256: str | None
    outcome: Literal["staged", "hand-count", "rejected"]
    stage: int | None
    confidence: Probability | None


class Record(_Part):
    """One photo's answer. Coordinates: pixels of the upright photo, x right, y down.

    Attributes
    ----------
    outcome : str
        ``staged``; ``hand-count`` (there is a plant, the answer isn't safe alone, the best guess
        is still given); ``rejected`` (nothing to count).
    stage : int or None
        Leaves with a visible collar, lost lower leaves counted; 0 for VE.
    stage_probabilities : dict
        ``VE``, ``V1`` ... to probability; stages under one in a thousand left out.
    reasons : list of str
        Sentences a scout can act on.
    overruling : list of str
        Those of the reasons that are each enough alone, however sure the stage is.
    photos : list of dict, optional
        Where several photos of one plant were put together: what each said alone. The points are
        those of the one photo that shows it best.
    height_basis, height_rule : str or None
        What the height was measured to, and which published definition was asked for.
    above : dict or None
        For a photo from above: plants, rows, stand and the range of stages; see guide/records.md.
    fault : str or None
        An error of the program itself while it read this photo. None in a healthy run.
    """

    photo: str
    path: str | None = None
    sha256: str | None
    outcome: Literal["staged", "hand-count", "rejected"]
    stage: Annotated[int, Field(ge=0, le=12)] | None
    stage_probabilities: dict[str, Probability]
    confidence: Probability | None
    reasons: list[str]
    collars: list[CollarRecord]
    tips: list[TipRecord]
    first_leaf: FirstLeafRecord | None
    lower_leaves_missing: int | None
    soil_line: PixelPair | None
    arch: PixelPair | None
    height_mm: float | None
    height_interval_mm: tuple[float, float] | None
    mm_per_px: float | None
    model: str | None
    height_basis: str | None = None
    height_rule: str | None = None
    layout: Literal["standing", "laid"] | None = None
    view: Literal["side", "above"] = "side"
    overruling: list[str] = []
    photos: list[AloneRecord] | None = None
    quality: list[str] = []
    evidence: list[str] = []
    photo_size: tuple[int, int] | None = None
    taken_at: str | None = None
    gps: tuple[float, float] | None = None
    focal_eq_mm: float | None = None
    card: CardRecord | None = None
    above: dict[str, Any] | None = None
    fault: str | None = None
    version: str | None = None

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Record:
        if self.outcome == "staged" and (self.stage is None or self.confidence is None):
            raise ValueError("a staged photo needs a stage and a confidence")
        if self.view == "above" and (self.stage is not None or self.outcome == "staged"):
            raise ValueError("a photo from above has no stage")
        if self.outcome != "staged" and not self.reasons:
            raise ValueError(f"outcome {self.outcome} needs a reason")
        if (self.height_mm is None) != (self.height_interval_mm is None):
            raise ValueError("a height and its interval come together")
        return self


def read_records(path: str | Path) -> Iterator[Record]:
    """Read a ``jsonl`` file back, one `Record` a line; blank lines are passed over.

    Raises
    ------
    ValueError
        Naming the file and the line that is not a record.
    """
    with open(path, encoding="utf-8") as lines:
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                yield Record.model_validate_json(line)
            except ValidationError as error:
                first = error.errors()[0]
                place = ".".join(str(step) for step in first["loc"])
                raise ValueError(
                    f"{path}, line {number}, is not a record of collarvision: "
                    f"{place + ': ' if place else ''}{first['msg']}."
                ) from error
