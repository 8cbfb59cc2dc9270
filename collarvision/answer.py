"""Answer: everything that is said about one photo, as frozen types and as the JSON record.

Rooms that show or write readings need only this, not the way that a photo takes to one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from collarvision import __version__

Outcome = Literal["staged", "hand-count", "rejected"]
Pixel = tuple[float, float]
MM_PER_INCH = 25.4
TALLEST_IN = 140.0  # full-grown corn: common practice

GUESS_FROM = 0.4
"""Confidence from which a stage that a person must count is named as a guess. Of own photos between
0.3 and 0.4 it is right in 2 of 9, and off by more than one in 4."""

HEIGHT_DOUBT = 0.3
"""Share of a height that its interval may reach to either side before it is shown with "?"."""


@dataclass(frozen=True)
class CollarMark:
    """A collar that shows, in px of the upright photo; `rank` counts lost lower leaves."""

    rank: int | None
    x: float
    y: float
    score: float


@dataclass(frozen=True)
class TipMark:
    """A leaf tip that shows, in px of the upright photo."""

    rank: int | None
    x: float
    y: float
    shape: Literal["rounded", "pointed"] | None
    score: float


@dataclass(frozen=True)
class CardMark:
    """How the scale card was seen; `corners` are TL, TR, BR, BL in px of the upright photo."""

    markers_found: int
    tilt_deg: float
    relative_error: float
    focal_assumed: bool
    corners: tuple[Pixel, ...]


@dataclass(frozen=True)
class Reading:
    """What one photo says about its plant.

    Points are px of the upright photo (EXIF orientation applied), x to the right, y down, with
    (0, 0) at the photo's upper left corner: the middle of its first pixel is (0.5, 0.5).

    Attributes
    ----------
    photo : str
        Base name of the file.
    path : str or None
        The file as the caller named it; None when bytes were read.
    sha256 : str or None
        Of the file's bytes, in hex; None where it could not be read.
    outcome : str
        ``staged``, ``hand-count`` (a best guess is still given) or ``rejected``.
    stage : int or None
        Leaves with a visible collar, lost lower leaves counted; 0 for VE.
    stage_probabilities : tuple of float
        P(VE), P(V1), ... P(V12); empty when there is no plant to stage.
    confidence : float or None
        Calibrated probability that `stage` is right.
    reasons : tuple of str
        Why it isn't ``staged``, as sentences that say what to do.
    overruling : tuple of str
        Those of the reasons that are each enough alone, however sure the stage is.
    collars, tips : tuple
        Bottom up.
    first_leaf : float or None
        P(the rounded first leaf is still there).
    lower_leaves_missing : int or None
        Most likely number of lower leaves lost.
    soil_line, arch : (x, y) or None
        Where the stalk meets the soil; the point that the height is measured to.
    stalk : tuple of (x, y)
        The stalk's axis, bottom up. For drawing only, not in the record.
    upright : tuple of (x, y)
        Unit vectors, photo px, of up and of level to the right at the plant's foot, as the height
        is measured; empty without a scale. For drawing only, not in the record.
    leaf_lines : tuple of tuple of (x, y)
        A midline a leaf. For drawing only, not in the record.
    height_mm, height_interval_mm : float, (float, float), or None
        The interval should hold the height in 90 of 100 photos. None without a scale card, and
        where the plant is cut off or its foot wasn't found.
    height_basis : str or None
        ``arch``, ``free-standing`` (no leaf arches yet) or ``along-stalk`` (laid plant).
    height_rule : str or None
        ``half-out`` or ``tip-down``, as it was asked for; None without a height.
    mm_per_px : float or None
        Scale on the board at the plant's foot.
    layout : str or None
        ``standing``, or ``laid`` on the board.
    quality : tuple of str
        Short codes of what is wrong with the photo; the sentences are among `reasons`.
    evidence : tuple of str
        Sentences on what the stage rests on.
    photo_size : (int, int) or None
        Width and height of the upright photo in px.
    taken_at : str or None
        Time by the camera's clock, ISO 8601.
    gps : (float, float) or None
        Latitude and longitude, degrees WGS 84.
    focal_eq_mm : float or None
        Focal length of the lens as on 35 mm film, from the file.
    card : CardMark or None
        How the scale card was seen; None where none was found.
    model : str or None
        Version of the network that read the photo.
    view : str
        ``side``, or ``above`` for a photo from the air, which is never staged.
    above : dict or None
        What a photo from above tells of its plants, as `collarvision.above.summary` writes it.
    photos : tuple of dict
        Where several photos of one plant were put together: what each said alone.
    fault : str or None
        An error of the program itself; the photo is then rejected and nothing is hidden.
    version : str
        Of the program.
    """

    photo: str
    outcome: Outcome
    reasons: tuple[str, ...] = ()
    overruling: tuple[str, ...] = ()
    path: str | None = None
    sha256: str | None = None
    stage: int | None = None
    stage_probabilities: tuple[float, ...] = ()
    confidence: float | None = None
    collars: tuple[CollarMark, ...] = ()
    tips: tuple[TipMark, ...] = ()
    first_leaf: float | None = None
    lower_leaves_missing: int | None = None
    soil_line: Pixel | None = None
    arch: Pixel | None = None
    stalk: tuple[Pixel, ...] = ()
    upright: tuple[Pixel, ...] = ()
    leaf_lines: tuple[tuple[Pixel, ...], ...] = ()
    height_mm: float | None = None
    height_interval_mm: tuple[float, float] | None = None
    height_basis: str | None = None
    height_rule: str | None = None
    mm_per_px: float | None = None
    layout: Literal["standing", "laid"] | None = None
    quality: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    photo_size: tuple[int, int] | None = None
    taken_at: str | None = None
    gps: tuple[float, float] | None = None
    focal_eq_mm: float | None = None
    card: CardMark | None = None
    model: str | None = None
    view: Literal["side", "above"] = "side"
    above: dict[str, Any] | None = None
    photos: tuple[dict[str, Any], ...] = ()
    fault: str | None = None
    version: str = __version__

    @property
    def height_in_doubt(self) -> bool:
        """Whether another leaf may well govern the height; see `height_in_doubt`."""
        return height_in_doubt(self.height_mm, self.height_interval_mm, self.height_basis)

    def record(self) -> dict[str, Any]:
        """Give the fixed record (see `collarvision.record`), numbers rounded, ready for JSON."""
        return {
            "photo": self.photo,
            "path": self.path,
            "sha256": self.sha256,
            "outcome": self.outcome,
            "stage": self.stage,
            "stage_probabilities": {
                stage_name(k): round(p, 4)
                for k, p in enumerate(self.stage_probabilities)
                if p >= 0.001
            },
            "confidence": _rounded(self.confidence, 4),
            "reasons": list(self.reasons),
            "overruling": list(self.overruling),
            "collars": [
                {"rank": c.rank, **_xy(c.x, c.y), "score": round(c.score, 3)} for c in self.collars
            ],
            "tips": [
                {"rank": t.rank, **_xy(t.x, t.y), "shape": t.shape, "score": round(t.score, 3)}
                for t in self.tips
            ],
            "first_leaf": None
            if self.first_leaf is None
            else {"present": self.first_leaf >= 0.5, "score": round(self.first_leaf, 3)},
            "lower_leaves_missing": self.lower_leaves_missing,
            "soil_line": _pair(self.soil_line, 1),
            "arch": _pair(self.arch, 1),
            "height_mm": _rounded(self.height_mm, 1),
            "height_interval_mm": _pair(self.height_interval_mm, 1),
            "height_basis": self.height_basis,
            "height_rule": self.height_rule,
            "mm_per_px": _rounded(self.mm_per_px, 4),
            "layout": self.layout,
            "view": self.view,
            "quality": list(self.quality),
            "evidence": list(self.evidence),
            "photo_size": None if self.photo_size is None else list(self.photo_size),
            "taken_at": self.taken_at,
            "gps": _pair(self.gps, 6),
            "focal_eq_mm": _rounded(self.focal_eq_mm, 1),
            "card": None
            if self.card is None
            else {
                "markers_found": self.card.markers_found,
                "tilt_deg": round(self.card.tilt_deg, 1),
                "relative_error": round(self.card.relative_error, 4),
                "focal_assumed": self.card.focal_assumed,
                "corners": [_pair(corner, 1) for corner in self.card.corners],
            },
            "above": self.above,
            "photos": [dict(one) for one in self.photos] or None,
            "model": self.model,
            "fault": self.fault,
            "version": self.version,
        }


def stage_name(stage: int) -> str:
    """Name a stage as the trade does: ``VE`` for no collar, then ``V1``, ``V2`` ..."""
    return "VE" if stage == 0 else f"V{stage}"


def shown_stage(stage: int | None, outcome: Outcome, confidence: float | None) -> str:
    """A stage as it is shown: V3, V3? where a person must count, a dash for a wild guess."""
    if stage is None:
        return "–"
    if outcome == "staged":
        return stage_name(stage)
    wild = confidence is not None and confidence < GUESS_FROM
    return "–" if wild else f"{stage_name(stage)}?"


def height_in_doubt(
    height_mm: float | None, interval_mm: Sequence[float] | None, basis: str | None = None
) -> bool:
    """Whether another leaf may well govern a height.

    Its interval then reaches far from it, or no leaf was seen to arch. Of own plants (236 with an
    arch) one in four that is in doubt by its interval is measured wrongly by more than 0.15, of
    the others one in fourteen; where no arch was seen there was one in 39 of 145.
    """
    if height_mm is None or interval_mm is None:
        return False
    if basis == "free-standing":
        return True
    low, high = interval_mm
    return max(high - height_mm, height_mm - low) > HEIGHT_DOUBT * height_mm


def confidence_words(confidence: float) -> str:
    """Say a probability in words; the bounds are our own choice."""
    for bound, words in ((0.95, "very sure"), (0.85, "sure"), (0.7, "fairly sure")):
        if confidence >= bound:
            return words
    return "not sure"


def percent_sure(confidence: float) -> str:
    """A confidence in per cent, never 100: no photo makes one certain."""
    return f"{min(confidence, 0.99):.0%}"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)


def _pair(pair: Sequence[float] | None, digits: int) -> list[float] | None:
    return None if pair is None else [round(float(v), digits) for v in pair]


def _xy(x: float, y: float) -> dict[str, float]:
    return {"x": round(float(x), 1), "y": round(float(y), 1)}


def count_of(number: int, noun: str) -> str:
    """A number of things."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def day_in(text: str | None) -> date | None:
    """Day of a time in ISO 8601; None where it says none."""
    try:
        return None if text is None else date.fromisoformat(text[:10])
    except ValueError:
        return None
