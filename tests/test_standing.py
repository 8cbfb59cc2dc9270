"""Standing: one plant against one limit, by leaves and by height."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limitsfile import Bound, Limit
from collarvision.standing import stand

BOTH = Limit(
    "Product A",
    "broadcast",
    "collars",
    Bound(6, 300.0),
    Bound(6, 500.0),
    lowest_when="both",
    highest_when="both",
)
TO_500 = Limit("Product B", "broadcast", highest=Bound(None, 500.0))
PLANT = PlantEvidence("plant", hand_count=8)


def test_a_missing_height_counts_as_the_more_cautious_where_both_must_be_met() -> None:
    """Past by its leaves, and perhaps by the height nobody knows; not known to have the minimum."""
    bare = stand(PLANT, BOTH)
    assert (bare.past, bare.near, bare.reached) == (1.0, 1.0, 0.0)
    assert bare.height_unknown
    low = stand(replace(PLANT, height_mm=200.0), BOTH)
    assert low.past == pytest.approx(0, abs=1e-6)
    assert low.reached == pytest.approx(0, abs=1e-6)
    tall = stand(replace(PLANT, height_mm=900.0), BOTH)
    assert tall.past == pytest.approx(1)
    assert tall.reached == pytest.approx(1)


def test_a_missing_height_says_nothing_where_one_side_is_enough() -> None:
    one = replace(BOTH, lowest_when="either", highest_when="whichever first")
    assert (stand(PLANT, one).past, stand(PLANT, one).reached) == (1.0, 1.0)
    short = stand(replace(PLANT, hand_count=4), one)
    assert (short.past, short.reached) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("height_mm", "past"),
    [
        # A tape's height is taken as good to 5 in 100, our own choice: (480 - 500) / 24 = -0.833,
        # and so on; the chances are those of any table of the normal.
        (480.0, 0.2023),
        (500.0, 0.5),
        (520.0, 0.7791),
        (450.0, 0.0131),
    ],
)
def test_a_height_by_tape_has_an_error_of_five_in_a_hundred(height_mm: float, past: float) -> None:
    assert stand(replace(PLANT, height_mm=height_mm), TO_500).past == pytest.approx(past, abs=1e-3)


@pytest.mark.parametrize(("height_mm", "past"), [(500.0, 0.0), (500.1, 1.0)])
def test_a_plant_as_tall_as_the_greatest_height_is_not_past_it(
    height_mm: float, past: float
) -> None:
    exact = replace(PLANT, height_mm=height_mm, height_interval_mm=(height_mm, height_mm))
    assert stand(exact, TO_500).past == past


def test_a_count_from_nodes_is_past_as_likely_as_it_is_one_leaf_too_low() -> None:
    limit = Limit("Product C", "broadcast", "collars", Bound(7), Bound(6))
    nodes = stand(PlantEvidence("nodes", hand_count=6, one_more=0.2), limit)
    assert nodes.past == pytest.approx(0.2)
    assert nodes.reached == pytest.approx(0.2)
    counted = stand(PlantEvidence("counted", hand_count=6), limit)
    assert (counted.past, counted.reached) == (0.0, 0.0)
