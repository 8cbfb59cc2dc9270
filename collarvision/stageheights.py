"""Stage heights: whether a height can be that of a plant with so many collars.

A slip of the unit (19 cm for 19 in) or of a digit makes a pair that no plant has. Heights are wide:
weather, kind and the rule for measuring make them differ by half and more, so that only a pair far
from what is usual is asked about, and one out of any range is refused. Hail and frost cut
plants down and leave their count: one too short is refused only where not even a stub would stand.
"""

from __future__ import annotations

from typing import Final, Literal

from collarvision.answer import TALLEST_IN, stage_name
from collarvision.evidence import PlantEvidence, plausible_stages
from collarvision.units import MM_PER, UnitError, shown_here, unit_of_length

# Inches, shortest and tallest usual. V2 2-4, V3 5-7, V5 10-14, V6 14-20: Mississippi State Univ.
# 2024 (V2 from a weak source). V3 to 8 and V5 to 17: common practice. VE, V1 and V4 lie between.
_USUAL_IN: Final = (
    (0.0, 2.0),
    (1.0, 3.0),
    (2.0, 4.0),
    (5.0, 8.0),
    (7.0, 12.0),
    (10.0, 17.0),
    (14.0, 20.0),
)
_A_LEAF_IN: Final = (4.0, 9.0)  # more of each with every leaf past V6: our own choice

# So many times beyond either end a pair is asked about, and refused. Our own choice.
_DOUBTFUL: Final = 1.75
_IMPOSSIBLE: Final = 3.5

# What a cut plant keeps at least: this share of the shortest usual, 2 in at most. Our own choice.
_STUB_SHARE: Final = 0.1
_STUB_IN: Final = 2.0


def usual_mm(collars: int) -> tuple[float, float]:
    """Shortest and tallest usual height in mm of a plant with so many collars."""
    known = len(_USUAL_IN) - 1
    low, high = _USUAL_IN[min(collars, known)]
    more = max(collars - known, 0)
    low, high = low + _A_LEAF_IN[0] * more, min(high + _A_LEAF_IN[1] * more, TALLEST_IN)
    inch = float(MM_PER["in"])
    return low * inch, high * inch


def fits(collars: int, height_mm: float) -> Literal["yes", "doubtful", "no"]:
    """Whether a plant of so many collars may be so tall, in mm."""
    low, high = usual_mm(collars)
    if low / _DOUBTFUL <= height_mm <= high * _DOUBTFUL:
        return "yes"
    return "doubtful" if low / _IMPOSSIBLE <= height_mm <= high * _IMPOSSIBLE else "no"


def impossible(collars: int, height_mm: float) -> bool:
    """Whether no plant of so many collars is so tall in mm, nor so short even as a cut stub."""
    if fits(collars, height_mm) != "no":
        return False
    return height_mm > usual_mm(collars)[1] or not may_be_stub(collars, height_mm)


def may_be_stub(collars: int, height_mm: float) -> bool:
    """Whether a plant of so many collars, cut down as by hail, may be left so tall, in mm."""
    low = usual_mm(collars)[0]
    return min(_STUB_SHARE * low, _STUB_IN * float(MM_PER["in"])) <= height_mm < low


def misfit(plant: PlantEvidence) -> Literal["short", "tall"] | None:
    """How a plant's height can't be that of its stage: far too short, or tall; None where it can.

    Asked where a person told one of the two, wherever each came from. A count from nodes, and a
    reading that waits for a count, leave more than one stage: then none of them may fit.
    """
    by_hand = plant.hand_count is not None or plant.height_interval_mm is None
    if plant.height_mm is None or not (by_hand and (plant.decided or plant.waiting)):
        return None
    low, high = (plant.stage, plant.stage)
    if low is None or high is None or plant.waiting or plant.hand_count is not None:
        low, high = plausible_stages(plant)
    if any(fits(stage, plant.height_mm) != "no" for stage in range(low, high + 1)):
        return None
    return "short" if plant.height_mm < usual_mm(low)[0] else "tall"


def pair_words(collars: int, height_mm: float, typed: str | None = None) -> str | None:
    """A sentence on a pair that doesn't fit, such as ``V6 at 19 cm is unusually short: 19 in?``.

    None where it fits.

    Parameters
    ----------
    collars : int
    height_mm : float
    typed : str, optional
        The height as it was written, with its unit. Another unit is guessed at of this alone: a
        converted number is one that nobody wrote.
    """
    how = fits(collars, height_mm)
    if how == "yes":
        return None
    side = "short" if height_mm < usual_mm(collars)[0] else "tall"
    said = f"{stage_name(collars)} at {(typed or shown_here().height(height_mm)).strip()} is "
    said += f"unusually {side}" if how == "doubtful" else f"far too {side}"
    other = None if typed is None else _other_unit(collars, height_mm, typed)
    return f"{said}." if other is None else f"{said}: {other}?"


def _other_unit(collars: int, height_mm: float, typed: str) -> str | None:
    """The same number in the unit that may have been meant; None where none fits."""
    try:
        unit = unit_of_length(typed)
    except UnitError:
        return None
    number = height_mm / float(MM_PER[unit])
    metric, feet = ("cm", "mm", "m"), ("in", "ft")
    for other in (*metric, *feet) if unit in metric else (*feet, *metric):
        if other != unit and fits(collars, number * float(MM_PER[other])) == "yes":
            return f"{number:.6g} {other}"
    return None
