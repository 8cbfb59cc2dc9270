"""Fields: photos of one field from above, taken together.

Photos may overlap and aren't matched: a receiver's metres are far wider than a row. So plants are
never added up over photos. Rates are: each photo is a sample of the field, and how much photos
differ tells how sure the field's rate is. Two errors don't show in that, since photos share them:
the scale's, and the network's own of a count, by the field's light, soil and age. However many
photos there are, the field's interval holds both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from collarvision.above.assembling import range_of
from collarvision.above.calibration import AboveCalibration
from collarvision.above.values import Z90, FieldAbove, FrameAbove, Interval, StandCount, interval_90

_SHARED: Final = 0.7
"""Share of a photo's scale error that the next photo has too: the same barometer, the same lens."""

_PLACES_CV: Final = 0.15
_PLACES_WORTH: Final = 3
"""How much stands of one field's places usually differ (standard deviation over mean), and of how
many photos beyond the first that opinion has the weight. Both are our own choice: two photos that
happen to differ would leave a field's stand open to a factor of seven."""


def gather_field(
    frames: Sequence[FrameAbove], calibration: AboveCalibration, *, name: str | None = None
) -> FieldAbove:
    """Take a field's photos together."""
    counted = [frame for frame in frames if frame.stand is not None and frame.scale is not None]
    settled = [frame for frame in frames if frame.stages is not None and frame.plants]
    stages = None
    if settled:
        means = np.array([frame.stages.probabilities for frame in settled if frame.stages])
        plants = np.array([len(frame.plants) for frame in settled if frame.plants is not None])
        stages = range_of(np.average(means, axis=0, weights=plants)[None], calibration)
    reasons = []
    left = len(frames) - sum(frame.plants is not None for frame in frames)
    if left:
        reasons.append(
            f"{left} of {len(frames)} photos tell nothing of plants; each says why."
            if len(frames) > 1
            else "The photo tells nothing of plants."
        )
    return FieldAbove(
        name=name,
        frames=tuple(frames),
        stand=_together(
            [(f.stand, f.scale.relative_error) for f in counted if f.stand and f.scale],
            calibration,
        ),
        stages=stages,
        reasons=tuple(reasons),
    )


def _together(
    counts: list[tuple[StandCount, float]], calibration: AboveCalibration
) -> StandCount | None:
    if not counts:
        return None
    stands = [stand for stand, _ in counts]
    if len(stands) == 1:
        return stands[0]
    lengths = np.array([stand.row_length_m for stand in stands])
    per_m = np.array([stand.per_m_row for stand in stands])
    scale = float(np.average([error for _, error in counts], weights=lengths))
    miscount = float(
        np.average([_miscount(*count, calibration) for count in counts], weights=lengths)
    )
    plants, length = float(sum(stand.plants for stand in stands)), float(lengths.sum())
    rate = plants / length
    sampled = _error_of_mean(per_m, lengths) / rate
    wide = [stand for stand in stands if stand.row_spacing_m is not None]
    spacing = per_ha = per_acre = None
    ha_interval: Interval | None = None
    acre_interval: Interval | None = None
    if wide:
        spacing = float(np.median([stand.row_spacing_m or 0.0 for stand in wide]))
        weights = np.array([stand.row_length_m for stand in wide])
        each = np.array([stand.per_ha or 0.0 for stand in wide])
        per_ha = float(np.average(each, weights=weights))
        per_acre = float(np.average([stand.per_acre or 0.0 for stand in wide], weights=weights))
        spread = _error_of_mean(each, weights) / max(per_ha, 1e-9)
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


def _error_of_mean(values: np.ndarray, weights: np.ndarray) -> float:
    """Standard error of a weighted mean, by how much the values differ and places usually do.

    A single value differs from nothing: then only the usual speaks.
    """
    from scipy.special import stdtrit  # not at the top: it would slow every command's start

    share = weights / weights.sum()
    mean = float((share * values).sum())
    own = len(values) - 1
    seen = float((share**2 * (values - mean) ** 2).sum()) * len(values) / own if own else 0.0
    usual = float((share**2).sum()) * (_PLACES_CV * mean) ** 2
    freedom = own + _PLACES_WORTH
    spread = (own * seen + _PLACES_WORTH * usual) / freedom
    # With few photos Student's t is wider than the normal distribution.
    return math.sqrt(spread) * float(stdtrit(freedom, 0.95)) / Z90
