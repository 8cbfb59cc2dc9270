"""Limits and plants of several days: what was seen holds an answer back for as long as it may."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest
from fields import LIMITS
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.evidence import PlantEvidence
from collarvision.heat import DateSpan
from collarvision.limits import STRICTNESS, Verdict, judge
from collarvision.limitsfile import Bound, Limit, Limits, parse_limits
from collarvision.outlook import look_ahead
from collarvision.temperatures import Day, Temperatures

VISIT = date(2026, 6, 4)
BEFORE = VISIT - timedelta(days=2)
LAST = VISIT + timedelta(days=3)  # the visit's own plants are good until then
LIMIT = Limit("Product A", "broadcast", "collars", highest=Bound(6))
BY_BOTH = replace(LIMIT, highest=Bound(6, 508.0, "20 in"))


def counted(stage: int, count: int, day: date = VISIT, **more: object) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"v{stage}.{k}", hand_count=stage, taken_at=day, **more)  # type: ignore[arg-type]
        for k in range(count)
    ]


def sweep(field: list[PlantEvidence], limit: Limit, days: int = 7) -> list[Verdict]:
    """The verdicts of the visit's day and of those after it."""
    return [judge(field, limit, VISIT + timedelta(days=k), visit=VISIT) for k in range(days)]


FIELD = counted(3, 14, height_mm=200.0)
WAITS = PlantEvidence("late", (0.0,) * 5 + (0.2, 0.6, 0.2), 6, "hand-count", 0.6, taken_at=BEFORE)
AT_LAST = counted(6, 1, BEFORE, height_mm=300.0)[0]
TAPED = PlantEvidence("taped", outcome="rejected", height_mm=450.0, taken_at=BEFORE)
SLIP = PlantEvidence("slip", hand_count=2, height_mm=1500.0, taken_at=BEFORE)
UNMEASURED = counted(5, 1, BEFORE)[0]


@pytest.mark.parametrize(
    ("late", "limit", "word", "said"),
    [
        (WAITS, LIMIT, "can't tell", "1 plant waiting for a hand count could change the answer"),
        (AT_LAST, LIMIT, "closing", "v6.0 (V6"),
        (TAPED, BY_BOTH, "closing", "taped"),
        (SLIP, LIMIT, "can't tell", "slip (V2, far too tall) can't have both"),
        (UNMEASURED, BY_BOTH, "can't tell", "measure v5.0."),
    ],
)
def test_a_plant_two_days_older_than_the_others_goes_on_holding_the_answer_back(
    late: PlantEvidence, limit: Limit, word: str, said: str
) -> None:
    found = sweep([*FIELD, late], limit)
    assert {one.word for one in found[:4]} == {word}
    assert all(said in one.sentence for one in found[:4])
    # Where all are old the field is walked again.
    assert {one.word for one in found[4:]} == {"can't tell"}
    assert "4 days old: walk the field again" in judge(FIELD, limit, LAST + timedelta(1)).sentence


def test_old_plants_that_decide_are_said_to_count() -> None:
    said = "1 plant without a date, or from before 2026-06-03, counts as well: plants don't go back"
    assert any(said in one for one in sweep([*FIELD, AT_LAST], LIMIT)[2].reasons)
    said = "or from before 2026-06-03, counts only where it makes the answer stricter."
    assert any(said in one for one in sweep([*FIELD, *counted(2, 1, BEFORE)], LIMIT)[2].reasons)


def test_old_plants_that_decide_make_no_share_smaller() -> None:
    fresh = counted(3, 10)
    older = [*counted(3, 40, BEFORE), *counted(6, 1, BEFORE)]
    alone, together = (judge(some, LIMIT, LAST, visit=VISIT) for some in (fresh, [*fresh, *older]))
    assert (alone.word, together.word) == ("open", "closing")
    assert alone.share_past is not None
    assert together.share_past is not None
    assert together.share_past[1] >= alone.share_past[1]
    assert "The newer ones can't rule out that up to 26 in 100" in together.sentence


def test_old_plants_take_no_credit_for_what_another_visit_says() -> None:
    day = VISIT - timedelta(days=9)
    earlier = [(day, [*counted(3, 58, day), *counted(7, 2, day)])]
    fresh, old = counted(3, 12), counted(6, 12, BEFORE)
    alone, together = (
        judge(some, LIMIT, LAST, visit=VISIT, earlier=earlier) for some in (fresh, [*fresh, *old])
    )
    assert (alone.word, together.word) == ("past", "past")
    assert together.share_past == alone.share_past
    assert not any("count as well" in one for one in together.reasons)


def test_old_taped_plants_that_decide_are_said_to_be_old() -> None:
    taped = [replace(TAPED, name=name) for name in ("t1", "t2")]
    said = "2 plants without a date, or from before 2026-06-03, count as well"
    assert any(said in one for one in sweep([*FIELD, *taped], BY_BOTH)[2].reasons)


def test_an_old_plants_doubt_stays_in_the_figure() -> None:
    belief = (0.0,) * 4 + (0.96, 0.0, 0.0, 0.04)
    odd = PlantEvidence("odd", belief, 4, "staged", 0.96, taken_at=BEFORE)
    for one in sweep([*FIELD, odd], LIMIT)[:4]:
        assert (one.word, one.probability) == ("open", pytest.approx(0.96))


def test_old_plants_make_no_field_too_early() -> None:
    """They have grown since: whether they are at the minimum now the new ones tell."""
    field = [*FIELD, *counted(1, 30, BEFORE, height_mm=80.0)]
    found = sweep(field, replace(BY_BOTH, lowest=Bound(2)))
    assert [one.word for one in found[:4]] == ["too early", "too early", "open", "open"]
    assert found[2].probability is not None
    assert found[2].probability > 0.9


SHARES = st.sampled_from([0.0, 0.05, 0.1, 0.3])


def seen() -> st.SearchStrategy[list[PlantEvidence]]:
    def plant(drawn: tuple[int, float, str, int, float]) -> PlantEvidence:
        stage, sure, kind, age, tall = drawn
        more = {
            "height_mm": tall * (50.0 + 70 * stage) if tall else None,
            "taken_at": VISIT - timedelta(days=age),
        }
        if kind == "rejected" and tall:
            return PlantEvidence("t", outcome="rejected", **more)  # type: ignore[arg-type]
        outcome = "hand-count" if kind == "hand-count" else "staged"
        return PlantEvidence("p", (), stage, outcome, sure, **more)  # type: ignore[arg-type]

    values = st.tuples(
        st.integers(0, 8),
        st.sampled_from([0.6, 0.9, 0.99, 1.0]),
        st.sampled_from(["staged", "staged", "hand-count", "rejected"]),
        st.integers(0, 3),
        st.sampled_from([0.0, 0.8, 1.0, 1.2]),
    )
    return st.lists(values.map(plant), min_size=1, max_size=12)


@settings(max_examples=200, deadline=None)
@given(
    seen(),
    st.sampled_from([10, 14, 30]),
    st.integers(1, 5),
    st.sampled_from([Bound(4), Bound(6), Bound(6, 400.0), Bound(None, 400.0)]),
    st.sampled_from(["whichever first", "both"]),
    SHARES,
)
def test_no_answer_gets_bolder_from_day_to_day(
    late: list[PlantEvidence], count: int, stage: int, highest: Bound, when: str, share: float
) -> None:
    field = [*counted(stage, count, height_mm=50.0 + 70 * stage), *late]
    limit = Limit("P", "b", "collars", Bound(), highest, highest_when=when, share_past=share)  # type: ignore[arg-type]
    words = [STRICTNESS.index(one.word) for one in sweep(field, limit)]
    # On the first day every plant is young enough; from the fifth on none is, and nothing is told
    # but what is past whatever the others are.
    assert words[:4] == sorted(words[:4], reverse=True)
    assert max(words[4:]) <= STRICTNESS.index("can't tell")


def test_a_close_by_heat_gets_no_later_as_plants_grow_old() -> None:
    first = VISIT - timedelta(days=30)
    weather = Temperatures(tuple(Day(first + timedelta(days=k), 55, 80) for k in range(120)))
    limits = parse_limits(LIMITS)
    field = counted(3, 12, height_mm=200.0)
    waits = replace(WAITS, name="w", height_mm=250.0)
    for late in ([AT_LAST], [waits], counted(4, 8, BEFORE, height_mm=250.0)):
        found: list[list[DateSpan]] = []
        for later in range(4):
            today = VISIT + timedelta(days=later)
            outlook = look_ahead([(VISIT, [*field, *late])], weather, limits, today=today)
            assert outlook is not None
            spans = [one.closes for one in outlook.windows if one.closes is not None]
            assert len(spans) == len(outlook.windows)
            found.append(spans)
        for before, after in pairwise(found):
            for then, now in zip(before, after, strict=True):
                assert now.middle is not None
                assert then.middle is not None
                assert now.middle <= then.middle


def test_what_is_said_of_an_opening_that_isn_t_shown_is_left_out() -> None:
    first = VISIT - timedelta(days=30)
    weather = Temperatures(tuple(Day(first + timedelta(days=k), 55, 80) for k in range(120)))
    limit = replace(LIMIT, lowest=Bound(5))
    field = [*counted(3, 12), *counted(1, 20, BEFORE)]
    outlook = look_ahead([(VISIT, field)], weather, Limits((limit,)), today=LAST)
    assert outlook is not None
    (one,) = outlook.windows
    assert one.opens is not None
    assert one.closes is not None
    assert one.opens.middle is not None
    assert one.closes.middle is not None
    assert one.opens.middle < one.closes.middle
    assert not any("closes before it opens" in reason for reason in one.reasons)
