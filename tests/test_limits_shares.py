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


def waits(name: str, stage: int, sure: float = 0.9, **more: object) -> PlantEvidence:
    return PlantEvidence(
        name,
        stage=stage,
        confidence=sure,
        outcome="hand-count",
        taken_at=TODAY,
        **more,  # type: ignore[arg-type]
    )


def test_plants_that_wait_make_no_share_past_look_smaller() -> None:
    """They may be no plants at all: 2 of 18 past aren't 2 of 26 for more photos."""
    limit = replace(LIMIT, share_past=0.2)
    field = [*counted(4, 16), *counted(8, 2)]
    seedlings = [waits(f"w{k}", 0, 0.85) for k in range(8)]
    alone, verdict = (judge(some, limit, TODAY) for some in (field, [*field, *seedlings]))
    assert (alone.word, verdict.word) == ("closing", "closing")
    assert verdict.share_past is not None
    assert alone.share_past is not None
    assert verdict.share_past[1] >= alone.share_past[1]
    most = "can't rule out that up to 28 in 100 plants of the field are past it."
    assert f"These 18 {most}" in alone.sentence
    assert f"Without 8 that wait for a count the 18 others {most}" in verdict.sentence
    one = judge([*field, seedlings[0]], limit, TODAY)
    assert f"Without 1 that waits for a count the 18 others {most}" in one.sentence


COUNT_TEN = "10 plants waiting for a hand count could change the answer: count"


def test_plants_that_wait_make_no_field_old_enough() -> None:
    limit = replace(LIMIT, lowest=Bound(2))
    field = [*counted(1, 8), *counted(3, 6)]
    grown = [waits(f"w{k}", 4) for k in range(10)]
    assert judge(field, limit, TODAY).word == "too early"
    verdict = judge([*field, *grown], limit, TODAY)
    assert verdict.word == "can't tell"
    assert f"{COUNT_TEN} w0, w1, w2 and 7 more." in verdict.sentence


def test_of_plants_that_wait_the_one_to_count_first_is_named_first() -> None:
    """Three names are printed: the one that may be furthest past must not be the fourth."""
    waiting = [waits(f"w{stage}", stage) for stage in (2, 3, 8, 1, 5)]
    past = judge([*counted(4, 12), *waiting], replace(LIMIT, highest=Bound(6)), TODAY)
    assert (past.word, "count w8, w5, w3 and 2 more." in past.sentence) == ("can't tell", True)
    # Where no plant may be past, those that may be on either side of the minimum.
    between = replace(LIMIT, lowest=Bound(3), highest=Bound(12))
    waiting = [waits(f"young{k}", 1) for k in range(3)] + [waits(f"w{k}", 3) for k in range(12)]
    early = judge([*counted(2, 7), *counted(4, 5), *waiting], between, TODAY)
    assert early.word == "can't tell"
    assert "count w0, w1, w2 and 12 more." in early.sentence


def test_plants_that_wait_make_no_field_surely_too_early_or_past() -> None:
    """Counted, they may open it: so it's they that are asked for, and nothing told of the rest."""
    limit = replace(LIMIT, lowest=Bound(3), highest=Bound(8))
    field = [*counted(2, 7), *counted(4, 5)]
    assert judge(field, limit, TODAY).word == "too early"
    assert judge([*field, *counted(5, 10)], limit, TODAY).word == "open"
    for stage in (4, 5, 6):  # short at the lowest that they may be, or not even there
        verdict = judge([*field, *[waits(f"w{k}", stage) for k in range(10)]], limit, TODAY)
        assert verdict.word == "can't tell"
        assert COUNT_TEN in verdict.sentence
    some = replace(LIMIT, share_past=0.2)
    field = [*counted(4, 9), *counted(8, 4)]
    assert judge(field, some, TODAY).word == "past"
    waiting = [waits(f"w{k}", 3) for k in range(10)]
    verdict = judge([*field, *waiting], some, TODAY)
    assert verdict.word == "can't tell"
    assert COUNT_TEN in verdict.sentence
    then = aged([*field, *waiting])
    assert judge(counted(4, 12), some, TODAY, earlier=[(BEFORE, then)]).then is None
    # Nor do those past at any count, where without them the field is open.
    verdict = judge([*counted(4, 12), *[waits(f"w{k}", 9) for k in range(10)]], some, TODAY)
    assert verdict.word == "can't tell"
    assert COUNT_TEN in verdict.sentence


def test_plants_that_wait_are_not_said_to_be_short() -> None:
    limit = replace(LIMIT, lowest=Bound(3))
    field = [*counted(2, 20), *[waits(f"w{k}", 4, 0.85) for k in range(3)]]
    verdict = judge(field, limit, TODAY)
    assert verdict.word == "too early"
    assert "20 of 23 plants seen are short of 3 collars." in verdict.sentence
    # Nor to have reached it.
    least = replace(limit, highest=Bound())
    verdict = judge([*counted(4, 20), *field[20:]], least, TODAY)
    assert verdict.word == "open"
    assert "20 of 23 plants seen have reached 3 collars" in verdict.sentence


def test_the_others_are_those_with_an_answer_where_more_were_seen() -> None:
    limit = replace(LIMIT, highest=Bound(6, 800.0), share_past=0.2)
    field = [*counted(4, 12, height_mm=300.0)]
    field += [waits(f"w{k}", 3, height_mm=200.0) for k in range(2)]
    said = "Without 2 that wait for a count the 12 others"
    assert f"{said} can't rule out" in judge(field, limit, TODAY).sentence
    tall = PlantEvidence("h", outcome="rejected", height_mm=300.0, taken_at=TODAY)
    field += [replace(tall, name=f"h{k}") for k in range(3)]
    assert f"{said} with an answer can't rule out" in judge(field, limit, TODAY).sentence


def test_plants_that_wait_are_no_second_stop() -> None:
    field = counted(3, 12, stop="1")
    one = waits("w", 3, stop="2")
    for some in (field, [*field, one]):
        verdict = judge(some, LIMIT, TODAY)
        assert verdict.word == "can't tell"
        assert "All 12 plants" in verdict.sentence
        assert "are from one stop" in verdict.sentence


def test_plants_that_wait_are_no_measured_ones_to_go_by() -> None:
    """Two unmeasured ones have most collars known; whether the one that waits has is not known."""
    limit = replace(LIMIT, highest=Bound(8, 900.0))
    field = [*counted(3, 11, height_mm=250.0), *counted(5, 2)]
    for some in (field, [*field, waits("w", 5, height_mm=400.0)]):
        assert "2 of them may be taller than any measured one" in judge(some, limit, TODAY).sentence
    taped = [*counted(3, 9, height_mm=250.0), *counted(2, 3)]
    for some in (taped, [*taped, waits("w", 3, height_mm=250.0)]):
        assert "The limit asks for heights and 9 plants of 12" in judge(some, limit, TODAY).sentence


def seen_plants(waiting: bool, most: int) -> st.SearchStrategy[list[PlantEvidence]]:
    def plant(drawn: tuple[int, float, float | None, str | None]) -> PlantEvidence:
        stage, sure, tall, stop = drawn
        mm = None if tall is None else tall * (50.0 + 70 * stage)
        made = waits("w", stage, sure, height_mm=mm, stop=stop)
        return made if waiting else replace(made, name="p", outcome="staged")

    values = st.tuples(
        st.integers(0, 9),
        st.sampled_from([0.4, 0.6, 0.9, 0.99, 1.0]),
        st.sampled_from([None, 0.8, 1.0, 1.2]),
        st.sampled_from([None, "1", "2"]),
    )
    return st.lists(values.map(plant), min_size=0 if waiting else 8, max_size=most)


@settings(max_examples=300, deadline=None)
@given(
    seen_plants(waiting=False, most=24),
    seen_plants(waiting=True, most=12),
    st.tuples(*[st.sampled_from([0.0, 0.05, 0.1, 0.2, 0.3, 0.5])] * 2),
    st.sampled_from([Bound(), Bound(2), Bound(4), Bound(2, 200.0)]),
    st.sampled_from([Bound(3), Bound(6), Bound(8), Bound(6, 400.0), Bound()]),
    st.booleans(),
)
def test_a_plant_that_waits_never_makes_a_verdict_bolder(
    field: list[PlantEvidence],
    waiting: list[PlantEvidence],
    shares: tuple[float, float],
    lowest: Bound,
    highest: Bound,
    both: bool,
) -> None:
    limit = Limit(
        "P",
        "b",
        "collars",
        lowest,
        highest,
        highest_when="both" if both else "whichever first",
        share_past=shares[0],
        share_short=shares[1],
    )
    before, after = (judge(some, limit, TODAY) for some in (field, [*field, *waiting]))
    strictness = {word: at for at, word in enumerate(STRICTNESS)}
    # Past by a share, what waits may well leave it inside: then it can't be told.
    assert strictness[after.word] <= max(strictness[before.word], strictness["can't tell"])
    if before.word != "too early":
        assert after.word != "too early"
    if after.word == before.word and after.word not in ("past", "can't tell"):
        assert (after.probability or 0) <= (before.probability or 0) + 1e-9
    if after.word == "past":  # where none may be, one seen past at any count is enough
        sure_ones = sum(p.height_mm is not None or p.decided for p in field)
        assert before.word == "past" or limit.share_past == 0 or sure_ones < 10


@pytest.mark.parametrize("when", ["whichever first", "both"])
@pytest.mark.parametrize("bare", [0, 12])
def test_plants_known_by_height_only_never_make_the_share_past_look_smaller(
    when: str, bare: int
) -> None:
    """Inside by their height, and their leaves unknown, they are no part of the share."""

    def taped(count: int, mm: float) -> list[PlantEvidence]:
        one = PlantEvidence("t", outcome="rejected", height_mm=mm, taken_at=TODAY)
        return [replace(one, name=f"t{mm}.{k}") for k in range(count)]

    limit = replace(LIMIT, highest=Bound(6, 508.0), highest_when=when, share_past=0.1)  # type: ignore[arg-type]
    for tall, word in ((762.0, "past"), (450.0, "closing")):
        field = [*counted(4, 12, height_mm=250.0), *counted(3, bare), *taped(4, tall)]
        alone = judge(field, limit, TODAY)
        assert alone.word == word
        for count in (2, 10, 30, 60):
            verdict = judge([*field, *taped(count, 254.0)], limit, TODAY)
            assert verdict.word == word
            assert (verdict.share_past or (0, 0))[0] == pytest.approx(
                (alone.share_past or (1, 1))[0]
            )
