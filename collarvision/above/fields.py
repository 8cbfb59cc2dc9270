"""Fields: photos of one field from above, taken together.

Photos may overlap and aren't matched: a receiver's metres are far wider than a row. So plants are
never added up over photos. Rates are: each photo is a sample of the field, and how much photos
differ tells how sure the field's rate is. Photos that overlap tell less than as many apart, and a
photo of bare ground, or of plants in no rows, is a sample too. Two errors don't show in that, since
photos share them: the scale's, and the network's own of a count, by the field's light, soil and
age. However many photos there are, the field's interval holds both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from collarvision.above.assembling import FEW_PER_M2, range_of
from collarvision.above.calibration import AboveCalibration
from collarvision.above.oneflight import of_one_flight
from collarvision.above.overlap import apart_share
from collarvision.above.values import (
    SQUARE_M_PER_ACRE,
    Z90,
    FieldAbove,
    FrameAbove,
    Interval,
    StandCount,
    interval_90,
)

_SHARED: Final = 0.7
"""Share of a photo's scale error that the next photo has too: the same barometer, the same lens."""

_DOUBTED: Final = {"blurred", "coarse"}
"""Codes of photos on which plants are overlooked: that they show none tells nothing."""

_ROWS_SHOWN: Final = 3
"""Row spacings that a photo must be wide for a single row found to be a sign of thin ground."""

_OVERLAPPING: Final = 0.9
"""Share of photos of different places from which on it isn't worth a word."""

_PLACES_CV: Final = 0.15
_PLACES_WORTH: Final = 3
"""How much stands of one field's places usually differ (standard deviation over mean), and of how
many photos beyond the first that opinion has the weight. Both are our own choice: two photos that
happen to differ would leave a field's stand open to a factor of seven."""


def gather_field(
    frames: Sequence[FrameAbove], calibration: AboveCalibration, *, name: str | None = None
) -> FieldAbove:
    """Take a field's photos together, those of its newest flight."""
    given = len(frames)
    frames = _once(frames)
    again = given - len(frames)
    frames, notes = of_one_flight(frames)
    bare = [frame for frame in frames if is_bare(frame)]
    sure = [frame for frame in bare if not _DOUBTED & set(frame.quality)]
    loose = [*sure, *_without_rows(frames)]
    counted = [
        frame
        for frame in frames
        if frame.stand is not None
        and frame.scale is not None
        and not any(frame is one for one in (*bare, *loose))
    ]
    settled = [frame for frame in frames if frame.stages is not None and frame.plants]
    stages = None
    if settled:
        means = np.array([frame.stages.probabilities for frame in settled if frame.stages])
        plants = np.array([len(frame.plants) for frame in settled if frame.plants is not None])
        stages = range_of(np.average(means, axis=0, weights=plants)[None], calibration)
    reasons = list(notes)
    left = len(frames) - sum(frame.plants is not None for frame in frames)
    if left:
        reasons.append(
            f"{left} of {len(frames)} photos tell nothing of plants; each says why."
            if len(frames) > 1
            else "The photo tells nothing of plants."
        )
    if again:
        reasons.append(
            "1 photo was given twice and counts once."
            if again == 1
            else f"{again} photos were given more than once and count once."
        )
    if counted and bare:
        some = any(frame.plants for frame in bare)
        reasons.append(_bare_words(len(bare), len(sure), len(frames), some))
    if counted and len(loose) > len(sure):
        reasons.append(_rowless_words(len(loose) - len(sure), len(frames)))
    closed = sum(is_closed(frame) for frame in frames)
    if closed and settled:
        reasons.append(_closed_words(closed, len(frames)))
    apart = apart_share([*counted, *loose])
    if counted and apart < _OVERLAPPING:
        reasons.append(
            "The photos overlap: the intervals are those of about "
            f"{max(1, round(apart * len([*counted, *loose])))} in different places."
        )
    return FieldAbove(
        name=name,
        frames=tuple(frames),
        stand=_together(
            [(f.stand, f.scale.relative_error) for f in counted if f.stand and f.scale],
            calibration,
            loose=[_by_area(frame, calibration) for frame in loose],
            apart=apart,
        ),
        stages=stages,
        reasons=tuple(reasons),
    )


def is_bare(frame: FrameAbove) -> bool:
    """Whether a photo was measured and shows no corn, or so few plants that none was sown."""
    if frame.plants is None or frame.scale is None or not frame.area_m2:
        return False
    few = frame.plants.expected < FEW_PER_M2 * frame.area_m2 and not _has_rows(frame)
    return few or len(frame.plants) == 0


def is_closed(frame: FrameAbove) -> bool:
    """Whether nothing was counted on a photo for its closed canopy, that of the oldest corn."""
    return "closed" in frame.quality


def _has_rows(frame: FrameAbove) -> bool:
    return frame.stand is not None and frame.stand.row_spacing_m is not None


def _without_rows(frames: Sequence[FrameAbove]) -> list[FrameAbove]:
    """Photos of plants in no rows, or in one where more would show: thin ground, mostly.

    Were they left out, the field's stand would be that of its good places alone.
    """
    wide = [f.stand.row_spacing_m for f in frames if f.stand is not None and f.stand.row_spacing_m]
    least_m2 = (_ROWS_SHOWN * float(np.median(wide))) ** 2 if wide else math.inf
    return [
        frame
        for frame in frames
        if frame.plants
        and frame.scale is not None
        and frame.area_m2
        and not _has_rows(frame)
        and not is_bare(frame)
        and (frame.stand is None or frame.area_m2 >= least_m2)
        and not (_DOUBTED | {"weedy"}) & set(frame.quality)
    ]


def _by_area(frame: FrameAbove, calibration: AboveCalibration) -> tuple[float, float]:
    """Plants to a hectare of a photo's ground, and that ground, m2."""
    area, scale = frame.area_m2 or 0.0, frame.scale
    if not area or scale is None or frame.plants is None:
        return 0.0, area
    factor = calibration.count_factor(scale.mm_per_px)
    return 10_000 * factor * frame.plants.expected / area, area


def _once(frames: Sequence[FrameAbove]) -> list[FrameAbove]:
    """Frames without those of the same file again."""
    seen: set[str] = set()
    kept = []
    for frame in frames:
        if frame.sha256 is not None and frame.sha256 in seen:
            continue
        if frame.sha256 is not None:
            seen.add(frame.sha256)
        kept.append(frame)
    return kept


def _bare_words(bare: int, sure: int, every: int, some: bool) -> str:
    """Say of photos without corn, or with `some` plants of it, how they count."""
    shows = "shows" if bare == 1 else "show"
    what = "no corn or next to none" if some else "no corn"
    if sure == bare:
        return (
            f"{bare} of {every} photos {shows} {what}. Plants to an area are over their ground "
            "too: see whether it drowned, was missed, or is no field."
        )
    return (
        f"{bare} of {every} photos {shows} {what}, {bare - sure} of them too blurred or coarse to "
        "be sure, which count for nothing: look there on the ground."
    )


def _rowless_words(rowless: int, every: int) -> str:
    """Say how photos count that show plants and no rows."""
    how = "shows plants in no rows and counts by its"
    if rowless > 1:
        how = "show plants in no rows and count by their"
    return f"{rowless} of {every} photos {how} ground: look there."


def _closed_words(closed: int, every: int) -> str:
    """Say that the oldest plants are none of those that are told."""
    shows = "shows" if closed == 1 else "show"
    return (
        f"{closed} of {every} photos {shows} leaves that have closed over the ground, so plants "
        "there are probably older than those told, and weren't counted. Walk there."
    )


def _together(
    counts: list[tuple[StandCount, float]],
    calibration: AboveCalibration,
    *,
    loose: Sequence[tuple[float, float]] = (),
    apart: float = 1.0,
) -> StandCount | None:
    """Stand over photos, `loose` plants to a hectare and m2 of those that show no rows.

    `apart` is the share of the photos that as many would be which don't overlap.
    """
    if not counts:
        return None
    stands = [stand for stand, _ in counts]
    if len(stands) == 1 and (not loose or stands[0].row_spacing_m is None):
        return stands[0]
    lengths = np.array([stand.row_length_m for stand in stands])
    per_m = np.array([stand.per_m_row for stand in stands])
    scale = float(np.average([error for _, error in counts], weights=lengths))
    miscount = float(
        np.average([_miscount(*count, calibration) for count in counts], weights=lengths)
    )
    plants, length = float(sum(stand.plants for stand in stands)), float(lengths.sum())
    rate = plants / length
    sampled = _error_of_mean(per_m, lengths, apart) / rate
    wide = [stand for stand in stands if stand.row_spacing_m is not None]
    spacing = per_ha = per_acre = None
    rowless = 0.0
    ha_interval: Interval | None = None
    acre_interval: Interval | None = None
    if wide:
        spacing = float(np.median([stand.row_spacing_m or 0.0 for stand in wide]))
        # Ground is weighed as the length of row that it has, or would have.
        shown = [one.row_length_m / max(1.0 - one.rowless_share, 0.05) for one in wide]
        weights = np.array([*shown, *(area / spacing for _, area in loose)])
        each = np.array([*(stand.per_ha or 0.0 for stand in wide), *(one for one, _ in loose)])
        per_ha = float(np.average(each, weights=weights))
        per_acre = per_ha * SQUARE_M_PER_ACRE / 10_000
        # Ground without rows counts as having none by what it lacks of those that stand.
        full = float(np.average(each[: len(wide)], weights=shown))
        lacks = np.clip(1.0 - each[len(wide) :] / max(full, 1e-9), 0.0, 1.0)
        rowless = float(
            np.average([*(stand.rowless_share for stand in wide), *lacks], weights=weights)
        )
        spread = _error_of_mean(each, weights, apart) / max(per_ha, 1e-9)
        error = math.hypot(spread, 2 * _SHARED * scale, miscount)
        ha_interval, acre_interval = interval_90(per_ha, error), interval_90(per_acre, error)
    steps = [stand.spacing_m for stand in stands if stand.spacing_m is not None]
    varied = [stand.spacing_cv for stand in stands if stand.spacing_cv is not None]
    return replace(
        stands[0],
        plants=plants,
        row_length_m=length,
        row_spacing_m=spacing,
        per_m_row=rate,
        per_m_row_interval=interval_90(rate, math.hypot(sampled, _SHARED * scale, miscount)),
        per_ha=per_ha,
        per_ha_interval=ha_interval,
        per_acre=per_acre,
        per_acre_interval=acre_interval,
        spacing_m=float(np.median(steps)) if steps else None,
        doubles=float(sum(stand.doubles for stand in stands)),
        spacing_cv=float(np.mean(varied)) if varied else None,
        unseen_share=float(sum(stand.unseen_share * stand.plants for stand in stands))
        / max(plants, 1e-9),
        rowless_share=rowless,
    )


def _miscount(stand: StandCount, scale_error: float, calibration: AboveCalibration) -> float:
    """Relative standard error of a photo's count that the field's other photos have too.

    A photo's interval to a length of row holds the scale's error and the count's; the count's is
    what all plants have in common and what chance makes. Chance evens out over photos and shows in
    how they differ. All of the rest is taken as common to the field, whose plants are of like age
    in like light: that is the cautious end.
    """
    low, high = stand.per_m_row_interval
    whole = math.log(high / low) / (2 * Z90)
    chance = calibration.count_spread / math.sqrt(max(stand.plants, 1.0))
    return math.sqrt(max(whole**2 - scale_error**2 - chance**2, 0.0))


def _error_of_mean(values: np.ndarray, weights: np.ndarray, apart: float = 1.0) -> float:
    """Standard error of a weighted mean, by how much the values differ and places usually do.

    A single value differs from nothing: then only the usual speaks. Of values of photos that
    overlap only the share `apart` counts as values of their own.
    """
    from scipy.special import stdtrit  # not at the top: it would slow every command's start

    share = weights / weights.sum()
    mean = float((share * values).sum())
    own = max(len(values) * apart - 1, 0.0)
    places = len(values) * apart
    seen = float((share**2 * (values - mean) ** 2).sum()) / apart
    seen = seen * places / own if own > 0.0 else 0.0
    usual = float((share**2).sum()) / apart * (_PLACES_CV * mean) ** 2
    freedom = own + _PLACES_WORTH
    spread = (own * seen + _PLACES_WORTH * usual) / freedom
    # With few photos Student's t is wider than the normal distribution.
    return math.sqrt(spread) * float(stdtrit(freedom, 0.95)) / Z90
