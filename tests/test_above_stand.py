"""Stand: counts to the row and to areas, and what stands behind them.

Rows and gaps of whole drawn fields are in `tests/test_above_plants.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from drawn_field import plant
from test_above_plants import square

from collarvision.above.rows import Line, RowsFound, find_rows
from collarvision.above.stand import count_stand
from collarvision.above.values import StandCount

ERRORS = {"scale_error": 0.03, "count_error": 0.02}


@pytest.fixture(scope="module")
def drawn() -> tuple[RowsFound, int]:
    field = plant(8.0, 6.0, missing=0.0, seed=3)
    found = find_rows(np.column_stack([field.x, field.y]))
    assert found is not None
    return found, len(field.x)


def counted(drawn: tuple[RowsFound, int], **more: float) -> StandCount:
    found, plants = drawn
    stand = count_stand(found, np.zeros(plants), square(8.0, 6.0), **ERRORS, **more).stand
    assert stand is not None
    return stand


def test_plants_that_the_network_misses_as_a_rule_are_added_to_every_count(
    drawn: tuple[RowsFound, int],
) -> None:
    """Of five plants four are found: counts grow by 1.25, and a fifth of the plants is unseen."""
    seen, all_of_them = counted(drawn), counted(drawn, count_factor=1.25)
    for name in ("plants", "per_m_row", "per_ha", "per_acre"):
        assert getattr(all_of_them, name) == pytest.approx(1.25 * getattr(seen, name)), name
    assert seen.unseen_share == 0.0
    assert all_of_them.unseen_share == pytest.approx(0.2)
    assert all_of_them.spacing_m == seen.spacing_m  # of those that were found


def test_an_acres_count_is_a_hectares_with_its_interval(drawn: tuple[RowsFound, int]) -> None:
    stand = counted(drawn)
    assert stand.per_ha is not None
    assert stand.per_ha_interval is not None
    # An international acre is 4046.856 m2, a hectare 10,000.
    assert stand.per_acre == pytest.approx(0.4046856 * stand.per_ha)
    assert stand.per_acre_interval == pytest.approx([0.4046856 * e for e in stand.per_ha_interval])


def test_an_area_errs_by_the_scale_twice_unless_the_row_spacing_is_stated(
    drawn: tuple[RowsFound, int],
) -> None:
    """Independent errors add by their squares: 0.06 and 0.02 against 0.03 and 0.02."""
    stand = counted(drawn)
    stated = counted(drawn, stated_spacing_m=0.762)

    def wide(one: StandCount) -> float:
        assert one.per_ha is not None
        return float(np.ptp(one.per_ha_interval) / one.per_ha)

    by_row = np.ptp(stand.per_m_row_interval) / stand.per_m_row
    assert wide(stand) / by_row == pytest.approx(np.hypot(0.06, 0.02) / np.hypot(0.03, 0.02), 0.02)
    assert wide(stated) == pytest.approx(by_row)


def test_a_gap_over_a_patchs_border_is_one_gap_of_the_patch_that_it_starts_in() -> None:
    """A row along x, a plant every 20 cm but from 1.7 to 2.5 m; the patches meet at 2 m."""
    places = np.concatenate([np.arange(0.1, 1.8, 0.2), np.arange(2.5, 4.0, 0.2)])
    lines = [
        Line(
            np.flatnonzero(own),
            places[own],
            np.array([-2.0, 0.0]),
            np.array([1.0, 0.0]),
            *ends,
            places,
            goes_on,
        )
        for own, ends, goes_on in ((places < 2, (0.0, 2.0), 1), (places > 2, (2.0, 4.0), -1))
    ]
    found = RowsFound(0.0, None, tuple(lines))
    stood = count_stand(found, np.zeros(len(places)), square(4.0, 1.0), **ERRORS)
    (gap,) = stood.gaps
    assert (gap.row, gap.missing) == (0, 3)
    assert gap.length_m == pytest.approx(0.8)
    assert (gap.start_m, gap.end_m) == (pytest.approx((-0.3, 0.0)), pytest.approx((0.5, 0.0)))
