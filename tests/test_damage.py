"""Damage: the advised waits after hail and frost."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from collarvision.damage import DamageError, wait_after

HAIL = date(2026, 6, 1)


@pytest.mark.parametrize(
    ("days", "too_soon", "said"),
    [
        # 3-5 days: Iowa State Univ. ICM, 7 June 2008; 7-10: Univ. of Wisconsin L039.
        (-1, True, "before the hail"),
        (0, True, "too soon"),
        (2, True, "from 2026-06-04"),
        (3, False, "3 days after"),
        (7, False, "up to 10"),
        (10, False, "Every advised wait is over"),
    ],
)
def test_the_wait(days: int, too_soon: bool, said: str) -> None:
    visit = HAIL + timedelta(days=days)
    wait = wait_after("hail", HAIL, visit, max(visit, HAIL))
    assert wait.too_soon is too_soon
    assert said in wait.sentence
    assert wait.look_again == date(2026, 6, 4)


def test_frost_is_marked_as_common_practice() -> None:
    assert "common practice" in wait_after("frost", HAIL, HAIL, HAIL).sentence
    assert "common practice" not in wait_after("hail", HAIL, HAIL, HAIL).sentence


def test_a_visit_before_the_damage_is_not_too_soon_after_it() -> None:
    before = wait_after("hail", HAIL, HAIL - timedelta(days=1), HAIL)
    assert before.sentence.startswith(
        "The visit of 2026-05-31 was before the hail of 2026-06-01. Advised is a wait of"
    )
    after = wait_after("hail", HAIL, HAIL, HAIL)
    assert "is too soon after the hail of 2026-06-01 to judge by. Advised" in after.sentence


def test_no_date_and_a_day_to_come() -> None:
    undated = wait_after("hail", HAIL, None, HAIL)
    assert undated.too_soon
    assert "has no date, so it may be too soon after the hail of 2026-06-01" in undated.sentence
    with pytest.raises(DamageError, match="check the date"):
        wait_after("hail", HAIL, HAIL, HAIL - timedelta(days=1))
