"""Stray heights: heights read from a photo err farther than a normal distribution says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limits import judge
from collarvision.limitsfile import Bound, Limit
from collarvision.standing import stand

TODAY = date(2026, 6, 4)
SIGMA = 10.0
HALF = 1.645 * SIGMA
READ = PlantEvidence(
    "read",
    stage=4,
    confidence=0.999,
    height_mm=400.0,
    height_interval_mm=(400.0 - HALF, 400.0 + HALF),
    taken_at=TODAY,
)
# Halves of intervals as shares of the height, low and high, of photos of the invented farm.
WIDTHS = [
    (0.07, 0.055), (0.047, 0.043), (0.099, 0.046), (0.057, 0.194), (0.105, 0.035), (0.04, 0.037),
    (0.275, 0.053), (0.084, 0.177), (0.053, 0.061), (0.123, 0.246), (0.04, 0.241), (0.11, 0.107),
]  # fmt: skip


def to(mm: float) -> Limit:
    return Limit("Product A", "broadcast", highest=Bound(None, mm))


def off_by_more(sigmas: float) -> float:
    """Chance that the true height lies farther off, on either side, as the verdicts take it."""
    above = stand(READ, to(400 + sigmas * SIGMA)).past
    below = 1 - stand(READ, to(400 - sigmas * SIGMA)).past
    return above + below


@pytest.mark.parametrize(
    # Of 1,544 own validation plants; a normal says 0.021, 0.0027 and 0.00006.
    ("sigmas", "seen"),
    [(2.3, 0.029), (3.0, 0.015), (4.0, 0.009)],
)
def test_as_many_heights_stray_as_on_our_own_validation_plants(sigmas: float, seen: float) -> None:
    assert seen <= off_by_more(sigmas) <= 1.7 * seen


# By any table of the normal: 0.98 of its chance at so many sigmas of 10 mm, 0.02 of that at 30, 40
# or 80 mm of 120 mm, three tenths of the height.
@pytest.mark.parametrize(("sigmas", "chance"), [(3, 0.99065), (4, 0.99258), (8, 0.99495)])
def test_one_photo_height_alone_is_never_as_sure_as_a_normal_says(
    sigmas: int, chance: float
) -> None:
    bound = 400 - sigmas * SIGMA
    assert stand(READ, to(bound)).past == pytest.approx(chance, abs=1e-4)
    minimum = Limit("Product B", "broadcast", lowest=Bound(None, bound))
    assert stand(READ, minimum).reached == pytest.approx(chance, abs=1e-4)
    judged = judge([READ], to(bound), TODAY)
    assert judged.word == "past"
    assert judged.probability == pytest.approx(chance, abs=1e-4)


def test_a_height_that_may_stray_is_near_the_maximum_as_well() -> None:
    assert stand(READ, to((400 + 5 * SIGMA) / 0.8)).near == pytest.approx(0.02 * 0.3385, abs=1e-4)


def test_a_height_by_tape_has_the_tails_of_a_normal() -> None:
    tape = replace(READ, height_interval_mm=None)  # 5 in 100, 20 mm
    assert stand(tape, to(340)).past == pytest.approx(0.99865, abs=1e-4)  # 3 sigmas
    assert stand(tape, to(480)).past == pytest.approx(0.00003, abs=1e-5)  # 4 sigmas


@pytest.mark.parametrize("share", [0.3, 0.5])
def test_a_field_far_from_the_limit_stays_open(share: float) -> None:
    field = [
        replace(READ, name=f"p{k}", height_interval_mm=(400 * (1 - low), 400 * (1 + high)))
        for k, (low, high) in enumerate(WIDTHS)
    ]
    for limit in (to(400 / share), replace(to(400 / share), leaf="collars", highest=Bound(
        6, 400 / share))):  # fmt: skip
        verdict = judge(field, limit, TODAY)
        assert verdict.word == "open"
        assert verdict.probability is not None
        assert verdict.probability > 0.95
        assert verdict.decided_by == ("height" if limit.by_height_alone else "leaves")


def test_many_plants_at_half_the_limit_stay_open() -> None:
    # Small chances add up: with tails as many times as wide as a wide interval they closed fields.
    halves = WIDTHS * 4
    field = [
        replace(READ, name=f"p{k}", height_interval_mm=(400 * (1 - low), 400 * (1 + high)))
        for k, (low, high) in enumerate(halves)
    ]
    assert judge(field, to(800), TODAY).word == "open"
