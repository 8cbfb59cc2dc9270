"""Limits and shares: a field is past by a share only where the plants seen show it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collarvision.evidence import PlantEvidence
from collarvision.limits import STRICTNESS, judge
from collarvision.limitsfile import Bound, Limit

TODAY = date(2026, 6, 4)
BEFORE = TODAY - timedelta(days=9)
LIMIT = Limit("Product A", "broadcast", "collars", highest=Bound(6))


def counted(stage: int, count: int, **more: object) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"v{stage}.{k}", hand_count=stage, taken_at=TODAY, **more)  # type: ignore[arg-type]
        for k in range(count)
    ]


def doubtful(name: str, past: float) -> PlantEvidence:
    """Read as the likelier of V6 and V7, the last leaf allowed and one more."""
    belief = (0.0,) * 6 + (1 - past, past)
    stage, sure = (7, past) if past > 0.5 else (6, 1 - past)
    return PlantEvidence(name, belief, stage, "staged", sure, taken_at=TODAY)


def aged(field: list[PlantEvidence]) -> list[PlantEvidence]:
    return [replace(plant, taken_at=BEFORE) for plant in field]


IN_STOPS = [p for stop in "abc" for p in counted(2, 10, stop=stop)]


@pytest.mark.parametrize("share", [0.001, 0.01, 0.02, 0.1])
@pytest.mark.parametrize("field", [counted(2, 10), counted(2, 30), IN_STOPS])
def test_a_field_without_a_plant_past_is_not_past_by_any_share(
    field: list[PlantEvidence], share: float
) -> None:
    """So few plants would allow for over 1 in 100 of the field by the prior alone."""
    limit = replace(LIMIT, share_past=share)
    verdict = judge(field, limit, TODAY)
    assert verdict.word == "open"
    assert verdict.probability == pytest.approx(1)
    assert judge(field, limit, TODAY, earlier=[(BEFORE, aged(field))]).then is None
    # Nor is one too early where every plant is at the minimum.
    least = Limit("P", "b", "collars", Bound(2), share_short=share)
    assert judge(field, least, TODAY).word == "open"


def test_a_share_that_so_few_plants_cannot_show_asks_for_more() -> None:
    """1 of 12 is 8.3 in 100; the belief over the share lies to either side of that."""
    field = [*counted(4, 11), *counted(8, 1)]
    verdict = judge(field, replace(LIMIT, share_past=0.085), TODAY)
    assert verdict.word == "can't tell"
    assert (
        "1 of 12 plants seen is likely past the maximum, and so few plants can't show whether more "
        "than 8.5 in 100 of the field's are: see more." in verdict.sentence
    )
    assert judge(field, replace(LIMIT, share_past=0.08), TODAY).word == "past"
    # A plant that is past and may be isn't called inside.
    few = judge([*counted(4, 40), *counted(8, 1)], replace(LIMIT, share_past=0.1), TODAY)
    assert few.word == "open"
    assert (
        "(V8), past 6 collars by its leaves, as up to 10 in 100 plants may be by your limits file."
        in few.sentence
    )


def test_small_doubts_make_no_share_of_plants_past() -> None:
    """Forty at 30 in 100 are a share of 30 in 100 by sum, and not one of them is likely past."""
    field = [doubtful(f"p{k}", 0.3) for k in range(40)]
    verdict = judge(field, replace(LIMIT, share_past=0.1), TODAY)
    assert verdict.word == "can't tell"
    assert "more of them are than may be: check collars and height of p0, p1" in verdict.sentence


def test_an_earlier_visit_is_past_for_good_by_the_plants_surely_past_alone() -> None:
    """1 of 30 surely and 4 that may be are over 5 in 100 together, and 1 isn't."""
    limit = replace(LIMIT, share_past=0.05)
    now = counted(4, 12)
    doubts = [doubtful(f"p{k}", 0.6) for k in range(4)]
    then = aged([*counted(4, 25), *doubts, *counted(8, 1)])
    assert judge(then, limit, BEFORE).word == "past"
    verdict = judge(now, limit, TODAY, earlier=[(BEFORE, then)])
    assert (verdict.word, verdict.then) == (judge(now, limit, TODAY).word, None)
    assert any("may have been past already" in reason for reason in verdict.reasons)
    sure = aged([*counted(4, 27), *counted(8, 3)])
    assert judge(now, limit, TODAY, earlier=[(BEFORE, sure)]).then == BEFORE


@settings(max_examples=150, deadline=None)
@given(
    st.integers(1, 9).flatmap(
        lambda most: st.lists(
            st.tuples(st.integers(0, most), st.sampled_from([0.4, 0.6, 0.8, 0.95, 1.0])),
            min_size=8,
            max_size=24,
        )
    ),
    st.tuples(*[st.sampled_from([0.0, 0.01, 0.05, 0.085, 0.1, 0.3, 0.5])] * 2),
    st.tuples(st.integers(3, 7), st.integers(0, 2)),
    st.booleans(),
    st.booleans(),
)
@example([(2, 1.0)] * 10, (0.0, 0.01), (6, 0), False, False)
@example([(2, 1.0)] * 24, (0.0, 0.01), (6, 0), True, True)
def test_a_laxer_maximum_is_never_judged_more_strictly(
    seen: list[tuple[int, float]],
    shares: tuple[float, float],
    leaves: tuple[int, int],
    in_stops: bool,
    low: bool,
) -> None:
    field = [
        PlantEvidence(
            f"p{k}",
            stage=stage,
            confidence=sure,
            height_mm=50.0 + 70 * stage,
            taken_at=TODAY,
            # Stops weigh by who belongs to the share, so by leaves they aren't compared.
            stop=str(k % 3) if in_stops else None,
        )
        for k, (stage, sure) in enumerate(seen)
    ]
    few, many = sorted(shares)
    more = 0 if in_stops else leaves[1]
    lowest = Bound(2) if low else Bound()
    limit = Limit("P", "b", "collars", lowest, Bound(leaves[0], 400.0), share_past=few)
    lax = replace(limit, highest=Bound(leaves[0] + more, 400.0 + 90 * more), share_past=many)
    before, after = (judge(field, one, TODAY).word for one in (limit, lax))
    assert STRICTNESS.index(after) >= STRICTNESS.index(before)
