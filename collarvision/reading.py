"""Reading: the main job in one call, from a photo to everything that is said about its plant.

`read_photo` sends a photo through the rooms in their order (photo, card, parts, plant, stage,
height, quality, confidence) and gathers what they say in one `Reading`.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from collarvision import __version__
from collarvision.calibration import load_calibration
from collarvision.card import CardError, Scale, find_card
from collarvision.confidence import Outcome, judge
from collarvision.height import RULES, Height, Rule, measure
from collarvision.network import ModelError
from collarvision.parts import Parts, Point, read_parts
from collarvision.photo import Photo, PhotoError, load_photo
from collarvision.plant import Plant, assemble
from collarvision.quality import check
from collarvision.stage import StageBelief, believe

Pixel = tuple[float, float]
MM_PER_INCH = 25.4

SHOWN_COLLAR = 0.5
"""Least probability that a leaf's collar is out for it to be listed."""

SHOWN_TIP = 0.3
"""Least score of a tip to be listed."""


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

    Attributes
    ----------
    photo : str
        Base name of the file.
    path : str or None
        The file as the caller named it; None when bytes were read.
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
    leaf_lines : tuple of tuple of (x, y)
        A midline a leaf. For drawing only, not in the record.
    height_mm, height_interval_mm : float, (float, float), or None
        None without a scale card.
    height_basis : str or None
        ``arch``, ``free-standing`` (no leaf arches yet) or ``along-stalk`` (laid plant).
    fault : str or None
        An error of the program itself; the photo is then rejected and nothing is hidden.
    """

    photo: str
    outcome: Outcome
    reasons: tuple[str, ...] = ()
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
    fault: str | None = None
    version: str = __version__

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
            "model": self.model,
            "fault": self.fault,
            "version": self.version,
        }


def stage_name(stage: int) -> str:
    """Name a stage as the trade does: ``VE`` for no collar, then ``V1``, ``V2`` ..."""
    return "VE" if stage == 0 else f"V{stage}"


def confidence_words(confidence: float) -> str:
    """Say a probability in words; the bounds are our own choice."""
    for bound, words in ((0.95, "very sure"), (0.85, "sure"), (0.7, "fairly sure")):
        if confidence >= bound:
            return words
    return "not sure"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)


def _pair(pair: Sequence[float] | None, digits: int) -> list[float] | None:
    return None if pair is None else [round(float(v), digits) for v in pair]


def _xy(x: float, y: float) -> dict[str, float]:
    return {"x": round(float(x), 1), "y": round(float(y), 1)}


def read_photo(
    source: str | Path | bytes,
    *,
    height_rule: Rule = "half-out",
    check_bar_mm: float = 100.0,
    name: str | None = None,
    max_megapixels: float = 120.0,
) -> Reading:
    """Read one photo: the main job in one call.

    Parameters
    ----------
    source : str, Path or bytes
        A photo's path, or the bytes of its file.
    height_rule : {'half-out', 'tip-down'}
        Which of the two published definitions of height to use.
    check_bar_mm : float
        Length of the card's 100 mm check bar as measured on the print.
    name : str, optional
        Name for the record; by default the file's base name.
    max_megapixels : float
        Photos larger than this are rejected before they are decoded.

    Returns
    -------
    Reading
        Also for a file that can't be read: ``rejected``, with the reason.

    Raises
    ------
    collarvision.network.ModelError
        The network's file is missing or broken: no photo can be read at all.
    ValueError
        The height rule is unknown, or the check bar can't be that of a printed card.
    """
    reading, _ = read_with_photo(
        source,
        height_rule=height_rule,
        check_bar_mm=check_bar_mm,
        name=name,
        max_megapixels=max_megapixels,
    )
    return reading


def read_with_photo(
    source: str | Path | bytes,
    *,
    height_rule: Rule = "half-out",
    check_bar_mm: float = 100.0,
    name: str | None = None,
    max_megapixels: float = 120.0,
) -> tuple[Reading, Photo | None]:
    """Do what `read_photo` does, and hand the decoded photo on for drawing; None if unreadable."""
    if height_rule not in RULES:
        raise ValueError(f"Height rule {height_rule!r} is unknown; use one of {', '.join(RULES)}.")
    photo = None
    try:
        photo = load_photo(source, name, max_megapixels=max_megapixels)
        return _read(photo, source, height_rule, check_bar_mm), photo
    except PhotoError as error:
        return rejected(source, str(error), name=name), None
    except (ModelError, CardError):
        raise  # no photo can be read with this network, or with this card
    except Exception as error:
        reading = rejected(
            source,
            "The program failed on this photo, which is no fault of yours: count this plant by "
            "hand, and report the fault.",
            name=name,
        )
        sha256 = photo.sha256 if photo else None
        return replace(reading, sha256=sha256, fault=_where(error)), photo


def rejected(source: str | Path | bytes, reason: str, *, name: str | None = None) -> Reading:
    """Make the reading of something that can't be read as a photo; `reason` says why."""
    if isinstance(source, bytes):
        return Reading(photo=name or "photo", outcome="rejected", reasons=(reason,))
    path = Path(source)
    return Reading(
        photo=name or path.name or str(path),
        path=str(path),
        outcome="rejected",
        reasons=(reason,),
    )


def _read(
    photo: Photo, source: str | Path | bytes, height_rule: Rule, check_bar_mm: float
) -> Reading:
    calibration = load_calibration()
    scale = find_card(photo, check_bar_mm=check_bar_mm)
    parts = read_parts(photo)
    plant = assemble(parts, scale)
    belief = believe(plant, parts, calibration)
    findings = check(photo, parts, scale)
    verdict = judge(parts, plant, belief, findings, calibration)
    about_file = Reading(
        photo=photo.name,
        path=None if isinstance(source, bytes) else str(source),
        sha256=photo.sha256,
        outcome=verdict.outcome,
        reasons=verdict.reasons,
        quality=tuple(finding.code for finding in findings),
        photo_size=(photo.rgb.shape[1], photo.rgb.shape[0]),
        taken_at=photo.taken_at.isoformat() if photo.taken_at else None,
        gps=photo.gps,
        focal_eq_mm=photo.focal_eq_mm,
        card=None if scale is None else _card_mark(scale),
        model=parts.model,
    )
    if verdict.outcome == "rejected":
        return about_file
    height = None if scale is None else measure(parts, plant, scale, height_rule)
    return _with_plant(about_file, parts, plant, belief, verdict.confidence, scale, height)


def _with_plant(
    reading: Reading,
    parts: Parts,
    plant: Plant,
    belief: StageBelief,
    confidence: float,
    scale: Scale | None,
    height: Height | None,
) -> Reading:
    out = list(zip(plant.leaves, belief.leaf_probabilities, strict=True))
    base = plant.base
    arch = height.arch if height else _xy_of(plant.arch)
    return replace(
        reading,
        stage=belief.stage,
        stage_probabilities=tuple(float(p) for p in belief.probabilities),
        confidence=confidence,
        collars=tuple(
            CollarMark(leaf.rank, leaf.collar.x, leaf.collar.y, leaf.collar.score)
            for leaf, p in out
            if leaf.collar is not None and p >= SHOWN_COLLAR
        ),
        tips=tuple(
            TipMark(leaf.rank, leaf.tip.x, leaf.tip.y, leaf.shape, leaf.tip.score)
            for leaf in plant.leaves
            if leaf.tip is not None and leaf.tip.score >= SHOWN_TIP
        ),
        first_leaf=plant.first_leaf,
        lower_leaves_missing=int(plant.lost.argmax()),
        soil_line=_xy_of(base),
        arch=arch,
        stalk=_line(plant.stalk),
        leaf_lines=tuple(_line(leaf.midline) for leaf in plant.leaves),
        height_mm=height.height_mm if height else None,
        height_interval_mm=height.interval_mm if height else None,
        height_basis=height.basis if height else None,
        height_rule=height.rule if height else None,
        mm_per_px=None if scale is None or base is None else scale.mm_per_px_at(base.x, base.y),
        layout="laid" if parts.laid >= 0.5 else "standing",
        evidence=belief.evidence,
    )


def _card_mark(scale: Scale) -> CardMark:
    return CardMark(
        markers_found=scale.markers_found,
        tilt_deg=float(scale.tilt_deg),
        relative_error=float(scale.relative_error),
        focal_assumed=scale.focal_assumed,
        corners=_line(scale.corners_px),
    )


def _xy_of(point: Point | None) -> Pixel | None:
    return None if point is None else (point.x, point.y)


def _line(points: np.ndarray) -> tuple[Pixel, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _where(error: Exception) -> str:
    """Kind and words of an error, and the last line of code it passed through."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}, line {last.lineno}"
    return f"{type(error).__name__}: {error} ({place})"
