"""Off rows: plants that stand on none of the straight rows found, and a stand counted with them.

Rows are looked for as straight lines, each far from the next. Twin rows, the rows at a field's end
and rows on a curve aren't: a count along the lines found would leave many of their plants out.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from collarvision.above.rows import RowsFound
from collarvision.above.values import SQUARE_M_PER_ACRE, StandCount, interval_90

MOST_OFF_ROWS: Final = 0.12
"""Share of plants off all rows up to which they are weeds and strays, and chance on top. Our own
choice: drawn straight fields with a fifth of doubles and a tenth of weeds had 0.06 to 0.08."""


def off_rows_share(rows: RowsFound, whole: np.ndarray) -> float:
    """Share of plants on no row; 0 where it may be weeds, strays and chance.

    Parameters
    ----------
    rows : RowsFound
    whole : ndarray, (n,) bool
        Plants away from the photo's edge, where a row may be too short to be found.
    """
    if not whole.any():
        return 0.0
    on_rows = np.zeros(len(whole), bool)
    for line in rows.lines:
        on_rows[line.members] = True
    off = float((~on_rows[whole]).mean())
    chance = math.sqrt(MOST_OFF_ROWS * (1 - MOST_OFF_ROWS) / int(whole.sum()))
    return off if off > MOST_OFF_ROWS + chance else 0.0


def by_ground(
    stand: StandCount, plants: float, area_m2: float, off: float, error: float
) -> StandCount:
    """Count all plants found over the ground, where rows were found on part of them.

    Parameters
    ----------
    stand : StandCount
        Along the rows found, with their spacing.
    plants : float
        All plants, those that photos usually miss too.
    area_m2 : float
        Ground that they stand on.
    off : float
        Share of them off the rows: as much may be no corn.
    error : float
        Relative standard error of a count to an area.

    Returns
    -------
    StandCount
        Without distances from plant to plant. Its length of row is what the ground would have.
    """
    if stand.row_spacing_m is None:
        raise ValueError("without a row spacing there is no length of row on the ground")
    per_m2, error = plants / area_m2, math.hypot(error, off)
    per_m = per_m2 * stand.row_spacing_m
    return replace(
        stand,
        plants=plants,
        row_length_m=area_m2 / stand.row_spacing_m,
        per_m_row=per_m,
        per_m_row_interval=interval_90(per_m, error),
        per_ha=per_m2 * 10_000,
        per_ha_interval=interval_90(per_m2 * 10_000, error),
        per_acre=per_m2 * SQUARE_M_PER_ACRE,
        per_acre_interval=interval_90(per_m2 * SQUARE_M_PER_ACRE, error),
        spacing_m=None,
        doubles=0.0,
        spacing_cv=None,
        rowless_share=0.0,
    )


def off_rows_words(off: float) -> str:
    """Say how plants are counted where many stand off the rows."""
    return (
        f"{100 * off:.0f} in 100 plants stand off the rows found (twin, end or curved rows?): "
        "counts to an area are by all plants found, and gaps aren't told."
    )
