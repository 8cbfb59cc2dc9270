"""Row spacings: what planters are set to, and what to say where rows as seen speak against it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from collarvision.above.values import GroundScale, ScaleSource

USUAL_IN: Final = (15, 20, 22, 30, 36, 38, 45 / 2.54, 60 / 2.54, 70 / 2.54, 60)
"""Distances that corn planters are sold with, inches, three of them set in cm; common practice."""

COMMONEST_IN: Final = 30

ODD: Final = 0.06
ODD_ERRORS: Final = 1.5
"""Relative distance from every usual spacing from which rows are odd, or so many of the scale's own
standard errors: the larger of both. Our own choice."""

ROWS_ERROR: Final = 0.015
"""Of the spacing that a planter keeps against the one stated; common practice."""

AGREE: Final = 3.0
"""Standard errors by which two scales may differ before one of them is believed wrong."""

M_PER_INCH: Final = 0.0254

CHECK_STATED: Final = "Check what you stated."
"""Ends what is said where two scales contradict each other."""

SOURCE_WORDS: Final = {
    "exif": "the height in the file",
    "stated": "the height you gave",
    "card": "the card on the ground",
    "rows": "the row spacing you gave",
    "geotransform": "the orthomosaic's georeference",
}


def spacing_words(spacing_m: float) -> str:
    """A row spacing for readers of either unit."""
    return f"{spacing_m / M_PER_INCH:.0f} in ({100 * spacing_m:.0f} cm)"


def off_usual(spacing_m: float) -> float:
    """Relative distance from the nearest usual spacing."""
    return min(abs(math.log(spacing_m / (one * M_PER_INCH))) for one in USUAL_IN)


def is_odd(spacing_m: float, relative_error: float) -> bool:
    """Whether no planter makes such rows, as far as a relative standard error lets one say so."""
    return off_usual(spacing_m) > max(ODD, ODD_ERRORS * relative_error)


def odd_error(spacing_m: float) -> float:
    """Relative error to reckon with where rows are odd: likeliest they are `COMMONEST_IN` apart."""
    return max(off_usual(spacing_m), abs(math.log(spacing_m / (COMMONEST_IN * M_PER_INCH))))


def odd_words(
    spacing_m: float, relative_error: float, option: str, source: ScaleSource
) -> str | None:
    """Say that no planter makes such rows, so that the height is wrong; None where one does.

    Parameters
    ----------
    spacing_m : float
        By the height.
    relative_error : float
        Of that, one standard deviation.
    option : str
        What to give, such as ``--rows``.
    source : str
        Of the height: ``exif`` or ``stated``.
    """
    if not is_odd(spacing_m, relative_error):
        return None
    why = f"the height may be counted from another place. Give {option}."
    if source == "stated":
        why = f"check it, or give {option}."
    return (
        f"By {SOURCE_WORDS[source]} the rows lie {spacing_words(spacing_m)} apart, which is no "
        f"usual spacing: {why}"
    )


def odd_scale(scale: GroundScale, spacing_m: float, option: str) -> tuple[GroundScale, str] | None:
    """The scale with the doubt of rows as no planter sows them, and a sentence; None for usual."""
    sentence = odd_words(spacing_m, scale.relative_error, option, scale.source)
    if sentence is None:
        return None
    error = max(scale.relative_error, odd_error(spacing_m))
    return replace(scale, relative_error=error), sentence


def contradiction(stated_m: float, seen_m: float, scale: GroundScale) -> str | None:
    """Say that the rows seen aren't as far apart as was stated; None where they agree."""
    allowed = AGREE * math.hypot(scale.relative_error, ROWS_ERROR)
    if abs(math.log(seen_m / stated_m)) <= allowed:
        return None
    known = SOURCE_WORDS[scale.source]
    return (
        f"By the row spacing you gave rows lie {spacing_words(stated_m)} apart, by {known} "
        f"{spacing_words(seen_m)}: {known} is believed. {CHECK_STATED}"
    )
