"""Joint height: only heights that mean the same are averaged.

Held to what the published definitions say (A. Hager, University of Illinois; Manitoba Agriculture):
they can pick different leaves, so a mean over both is the height of no leaf.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collarvision.jointheight import CONTRADICTING, TIMES_APART, joint_height


def told(
    low: float, height: float, high: float, rule: str = "half-out", basis: str = "arch"
) -> dict[str, Any]:
    return {
        "height_mm": height,
        "height_interval_mm": [low, high],
        "height_rule": rule,
        "height_basis": basis,
    }


BARE: dict[str, Any] = {"height_mm": None, "height_interval_mm": None}


def test_photos_without_a_height_say_nothing_of_it() -> None:
    assert joint_height([BARE, BARE]) is None
    plant = joint_height([BARE, told(190, 200, 210)])
    assert plant is not None
    assert (plant.height_mm, plant.source) == (pytest.approx(200), 1)
    assert plant.interval_mm == pytest.approx((190, 210))
    assert joint_height([told(190, 200, 210), BARE], [1]) is None


def test_heights_by_two_rules_are_not_averaged_and_do_not_contradict() -> None:
    # Another rule may rightly take another leaf of the same plant.
    plant = joint_height([told(190, 200, 210), told(280, 300, 325, "tip-down")])
    assert plant is not None
    assert plant.height_mm == pytest.approx(200)
    assert plant.interval_mm == pytest.approx((190, 210))
    assert (plant.source, plant.contradiction) == (0, None)


@pytest.mark.parametrize(("low", "high"), [(205, 240), (203, 260)])
def test_heights_to_other_points_are_not_averaged_but_held(low: float, high: float) -> None:
    """The doubt of a plant without an arch goes with it, be its interval the narrower or wider."""
    arch, free = told(190, 200, 230), told(low, 215, high, basis="free-standing")
    for photos, source in (([arch, free], 1), ([free, arch], 0)):
        plant = joint_height(photos)
        assert plant is not None
        assert plant.height_mm == pytest.approx(215)
        assert plant.interval_mm == pytest.approx((200, high))
        assert (plant.source, plant.contradiction) == (source, None)


def test_of_heights_that_mean_the_same_the_narrowest_is_told_first() -> None:
    narrow, wide = told(195, 200, 206, basis="along-stalk"), told(190, 205, 225)
    for photos, source in (([wide, narrow], 1), ([narrow, wide], 0)):
        plant = joint_height(photos)
        assert plant is not None
        assert (plant.height_mm, plant.source) == (pytest.approx(200), source)


def test_heights_that_mean_the_same_are_averaged() -> None:
    plant = joint_height(
        [told(190, 200, 210), told(195, 210, 225), told(370, 400, 470, "tip-down")]
    )
    assert plant is not None
    assert 200 < plant.height_mm < 210
    assert (plant.source, plant.contradiction) == (0, None)
    assert plant.interval_mm[1] < 230


def test_a_height_counts_by_the_square_of_how_narrow_its_interval_is() -> None:
    """Inverse variances, as any textbook of statistics weighs measurements.

    Intervals of 10 and 20 in 100 to either side: weights 4 to 1, so 100^0.8 * 120^0.2 = 103.71 mm,
    with the ends weighed alike.
    """
    plant = joint_height([told(100 / 1.1, 100, 100 * 1.1), told(120 / 1.21, 120, 120 * 1.21)])
    assert plant is not None
    assert plant.height_mm == pytest.approx(103.71, abs=0.01)
    assert plant.interval_mm[0] == pytest.approx(103.71 / 1.1**1.2, abs=0.01)
    assert plant.interval_mm[1] == pytest.approx(120)  # it holds the other photo's height


@pytest.mark.parametrize("other", ["arch", "free-standing", "along-stalk"])
def test_of_heights_far_apart_the_tallest_is_given_with_all_in_its_interval(other: str) -> None:
    for photos, source in (
        ([told(190, 200, 210), told(390, 400, 410, basis=other)], 1),
        ([told(390, 400, 410, basis=other), told(190, 200, 210)], 0),
        ([told(200, 210, 220), told(390, 400, 410, basis=other), told(190, 200, 210)], 1),
    ):
        plant = joint_height(photos)
        assert plant is not None
        assert plant.height_mm == pytest.approx(400)
        assert plant.interval_mm == pytest.approx((190, 410))
        assert (plant.source, plant.contradiction) == (source, CONTRADICTING)


def test_a_contradiction_is_told_where_a_third_photo_went_by_another_rule() -> None:
    plant = joint_height(
        [told(190, 200, 210), told(390, 400, 410), told(299, 300, 301, "tip-down")]
    )
    assert plant is not None
    assert (plant.source, plant.contradiction) == (1, CONTRADICTING)


def test_intervals_of_one_plant_may_part_a_little() -> None:
    for gap, contradiction in ((TIMES_APART - 0.02, None), (TIMES_APART + 0.02, CONTRADICTING)):
        low = 210 * gap
        plant = joint_height([told(190, 200, 210), told(low, low + 10, low + 20)])
        assert plant is not None
        assert plant.contradiction == contradiction


@given(
    photos=st.lists(
        st.builds(
            lambda height, below, above, rule, basis: told(
                height * (1 - below), height, height * (1 + above), rule, basis
            ),
            st.floats(5, 2500),
            st.floats(0.01, 0.9),
            st.floats(0.01, 0.6),
            st.sampled_from(["half-out", "tip-down"]),
            st.sampled_from(["arch", "free-standing", "along-stalk"]),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_the_interval_holds_every_height_by_the_rule_it_is_told_by(
    photos: list[dict[str, Any]],
) -> None:
    plant = joint_height(photos)
    assert plant is not None
    low, high = plant.interval_mm
    assert low <= plant.height_mm * (1 + 1e-9)
    assert plant.height_mm <= high * (1 + 1e-9)
    for one in photos:
        if one["height_rule"] == photos[plant.source]["height_rule"]:
            assert low <= one["height_mm"] <= high
