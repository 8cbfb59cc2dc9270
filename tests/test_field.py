"""Field: the half rule, shares with both doubts, heights, evenness, and plants that wait."""

from __future__ import annotations

import time
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.evidence import PlantEvidence, beliefs, plausible_stages
from collarvision.field import (
    count_distribution,
    half_rule,
    heights,
    share_belief,
    summarise,
)


def read(name: str, stage: int, confidence: float = 0.95, **more: object) -> PlantEvidence:
    return PlantEvidence(name, stage=stage, confidence=confidence, **more)  # type: ignore[arg-type]


def counted(name: str, stage: int, **more: object) -> PlantEvidence:
    return PlantEvidence(name, hand_count=stage, outcome="hand-count", **more)  # type: ignore[arg-type]


# One plant


def test_a_reading_has_its_calibrated_confidence() -> None:
    plant = PlantEvidence("a", (0, 0, 0, 0.01, 0.9, 0.08), stage=4, confidence=0.8)
    found = beliefs(plant)
    assert found[4] == pytest.approx(0.8)
    assert found[5] / found[3] == pytest.approx(8)
    assert sum(found) == pytest.approx(1)


def test_a_hand_count_outranks_the_reading() -> None:
    plant = PlantEvidence("a", (0, 0, 0, 0, 1.0), stage=4, confidence=0.99, hand_count=6)
    assert beliefs(plant)[6] == 1
    assert summarise([plant]).stage == 6


@given(
    st.lists(st.floats(0, 1 / 13), min_size=0, max_size=13),
    st.one_of(st.none(), st.integers(0, 12)),
    st.one_of(st.none(), st.floats(0, 1)),
)
def test_beliefs_always_add_up(given_p: list[float], stage: int | None, sure: float | None) -> None:
    plant = PlantEvidence("a", tuple(given_p), stage, "hand-count", sure)
    found = beliefs(plant)
    assert sum(found) == pytest.approx(1)
    assert min(found) >= 0


@pytest.mark.parametrize(
    "bad",
    [
        {"stage_probabilities": (1.2,)},
        {"stage_probabilities": (0.9, 0.9)},
        {"stage_probabilities": (0.01,) * 40},
        {"stage": -1},
        {"hand_count": 30},
        {"stage": 3, "confidence": 1.5},
        {"stage": 3, "height_mm": -4.0},
        {"stage": 3, "height_mm": 100.0, "height_interval_mm": (110.0, 120.0)},
        {"stage": None},
    ],
)
def test_evidence_that_contradicts_itself(bad: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="IMG_7"):
        PlantEvidence("IMG_7", **bad)  # type: ignore[arg-type]


# The half rule


@pytest.mark.parametrize(
    ("stages", "expected"),
    [
        # At least half of the plants: P. Thomison, Ohio State Univ. Extension, AGF-127.
        ([4, 5], 5),
        ([4, 4, 5], 4),
        ([4, 5, 5], 5),
        ([3, 4, 5, 6], 5),
        ([0], 0),
        ([2, 2, 2, 9, 9], 2),
    ],
)
def test_the_half_rule(stages: list[int], expected: int) -> None:
    assert half_rule(stages) == expected


@given(st.lists(st.integers(0, 15), min_size=1, max_size=40))
def test_the_half_rule_by_its_words(stages: list[int]) -> None:
    stage = half_rule(stages)
    assert sum(s >= stage for s in stages) >= len(stages) / 2
    assert sum(s >= stage + 1 for s in stages) < len(stages) / 2


# Shares


@pytest.mark.parametrize("p", [[0.3] * 12, [0.5], [0.0, 1.0, 1.0]])
def test_equal_tosses_are_binomial(p: list[float]) -> None:
    """With equal probabilities Poisson-binomial is binomial; scipy.stats has that."""
    stats = pytest.importorskip("scipy.stats")
    if len(set(p)) == 1:
        expected = stats.binom.pmf(np.arange(len(p) + 1), len(p), p[0])
    else:
        expected = [0, 0, 1, 0]
    assert count_distribution(p) == pytest.approx(np.asarray(expected), abs=1e-12)


@pytest.mark.parametrize(("k", "n"), [(1, 10), (3, 10), (9, 10), (40, 97)])
def test_sure_readings_give_jeffreys_interval(k: int, n: int) -> None:
    """Without reading doubt it is Beta(k + 1/2, n - k + 1/2): scipy.stats, independent."""
    stats = pytest.importorskip("scipy.stats")
    found = share_belief([1.0] * k + [0.0] * (n - k))
    expected = stats.beta.ppf([0.025, 0.975], k + 0.5, n - k + 0.5)
    assert found.interval() == pytest.approx(tuple(expected), abs=2e-3)
    assert found.above(0.5) == pytest.approx(stats.beta.sf(0.5, k + 0.5, n - k + 0.5), abs=2e-3)


@pytest.mark.parametrize(("n", "effect"), [(1, 1.0), (10, 1.0), (60, 1.0), (10, 2.5), (60, 2.5)])
def test_where_none_or_all_are_there_the_end_is_exact(n: int, effect: float) -> None:
    """So many plants without one there leave (1 - share)^n at its end, by the binomial alone."""
    told = n / effect
    for level, doubt in ((0.95, 0.025), (0.9, 0.05)):
        none, every = (share_belief([p] * n, effect).interval(level) for p in (0.0, 1.0))
        assert (1 - none[1]) ** told == pytest.approx(doubt, rel=0.02)
        assert every[0] ** told == pytest.approx(doubt, rel=0.02)
        # The other end stays at that of no plant, or all.
        assert none[0] < 0.01 / n
        assert every[1] > 1 - 0.01 / n
    # A little doubt moves an end a little: no step between none and almost none.
    assert share_belief([1e-4] * n, effect).interval()[1] == pytest.approx(
        share_belief([0.0] * n, effect).interval()[1], abs=0.02
    )


def test_the_mixture_against_simulation() -> None:
    """Draw the plants' truth, then the field's share: numpy's own Beta."""
    random = np.random.default_rng(3)
    p = random.uniform(0.05, 0.95, 20)
    counts = (random.random((40_000, 20)) < p).sum(axis=1)
    simulated = random.beta(counts + 0.5, 20 - counts + 0.5)
    found = share_belief(p.tolist())
    assert found.interval() == pytest.approx(
        tuple(np.quantile(simulated, [0.025, 0.975])), abs=0.01
    )


def test_reading_doubt_widens_the_interval() -> None:
    sure = share_belief([1.0] * 10 + [0.0] * 10).interval()
    unsure = share_belief([0.7] * 10 + [0.3] * 10).interval()
    assert unsure[1] - unsure[0] > sure[1] - sure[0]


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """A simulated field read with known doubt: 95 % intervals hold its share 9 times in 10."""
    random = np.random.default_rng(11)
    held = 0
    for _ in range(300):
        share = random.uniform(0.05, 0.95)
        past = random.random(30) < share
        # A calibrated reader that is right in 85 of 100: prior times likelihood.
        said = np.where(random.random(30) < 0.85, past, ~past)
        up, down = share * 0.85, (1 - share) * 0.15
        p_yes = up / (up + down)
        p_no = share * 0.15 / (share * 0.15 + (1 - share) * 0.85)
        low, high = share_belief(np.where(said, p_yes, p_no).tolist()).interval()
        held += low <= share <= high
    assert held >= 0.93 * 300


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.02, 0.98), min_size=2, max_size=20), st.integers(2, 5))
def test_more_plants_never_widen_an_interval_on_average(p: list[float], by: int) -> None:
    few, many = share_belief(p).interval(), share_belief(p * by).interval()
    assert many[1] - many[0] <= few[1] - few[0] + 1e-3


def test_no_share_of_no_plants() -> None:
    with pytest.raises(ValueError, match="no plants"):
        share_belief([])
    with pytest.raises(ValueError, match="at least one"):
        half_rule([])


# The summary


def test_a_field() -> None:
    plants = [read(f"a{k}", 4, stop="1") for k in range(6)]
    plants += [read(f"b{k}", 5, stop="2") for k in range(8)]
    plants += [counted("c", 7, stop="3", taken_at=date(2026, 6, 3))]
    plants += [PlantEvidence("r", outcome="rejected")]
    field = summarise(plants)
    assert (field.plants, field.hand_counted, field.rejected, field.waiting) == (15, 1, 1, 0)
    assert field.stage == 5
    assert field.distribution == pytest.approx({4: 6 / 15, 5: 8 / 15, 7: 1 / 15})
    assert [share.stage for share in field.shares] == list(range(1, 9))
    assert field.stops == 3
    assert field.newest == date(2026, 6, 3)
    assert field.stage_if_waiting is None
    assert field.ahead == pytest.approx(1 / 15)
    assert field.late == 0
    # Each stop is all of one stage, so three stops tell little of the field.
    assert 0.4 < (field.probability or 0) < 1
    fifth = field.shares[4]
    assert fifth.seen == pytest.approx(9 / 15)
    assert fifth.interval[0] < 9 / 15 < fifth.interval[1]


def test_shares_only_fall_with_the_stage() -> None:
    random = np.random.default_rng(2)
    for stops in (None, 3, 7):
        plants = [
            read(str(k), int(random.integers(2, 9)), 0.8, stop=stops and str(k * stops // 30))
            for k in range(30)
        ]
        field = summarise(plants)
        for end in (
            [share.interval[0] for share in field.shares],
            [share.interval[1] for share in field.shares],
            [share.at_least_half for share in field.shares],
        ):
            assert end == sorted(end, reverse=True)


def test_a_share_that_is_known_well_raises_one_known_badly_below_it() -> None:
    """All are at V3 and all but one at V4: plants at V4 are at V3 too, whatever the stops say."""
    stops = ([6, 6, 5, 5, 5, 5], [3, 5, 4, 5, 4, 4], [7, 6, 6, 6, 7, 5], [7, 5, 6, 7, 6, 5])
    plants = [
        PlantEvidence(f"{stop}.{k}", hand_count=stage, stop=str(stop))
        for stop, own in enumerate(stops)
        for k, stage in enumerate(own)
    ]
    field = summarise(plants)
    lows = [share.interval[0] for share in field.shares]
    assert lows == sorted(lows, reverse=True)
    assert lows[2] == lows[3]  # raised


def test_waiting_plants_and_how_far_they_could_move_the_answer() -> None:
    plants = [read(f"a{k}", 5) for k in range(6)]
    waiting = [
        PlantEvidence(
            f"w{k}", (0, 0, 0, 0, 0, 0.3, 0.4, 0.3), stage=6, outcome="hand-count", confidence=0.4
        )
        for k in range(8)
    ]
    field = summarise(plants + waiting)
    assert field.stage == 5
    assert field.waiting == 8
    assert field.waiting_names[0] == "w0"
    # Eight of fourteen may be V4 (one under V5) or V8 (one over V7).
    assert plausible_stages(waiting[0]) == (4, 8)
    assert field.stage_if_waiting == (4, 8)


def test_a_waiting_plant_that_is_none_leaves_the_others_to_move_the_stage() -> None:
    """A seedling and a tall one pull against each other, and a person may set either aside."""
    plants = [*[counted(f"a{k}", 4) for k in range(24)], *[counted(f"b{k}", 5) for k in range(24)]]
    seedling, tall = (
        PlantEvidence(name, stage=stage, outcome="hand-count", confidence=0.995)
        for name, stage in (("s", 0), ("t", 8))
    )
    assert summarise([*plants, counted("s", 0)]).stage == 4
    field = summarise([*plants, seedling, tall])
    assert (field.stage, field.stage_if_waiting) == (5, (4, 5))
    assert not field.settled
    field = summarise([*plants[1:], seedling, tall])  # with either of them, or both, it stays
    assert (field.stage, field.stage_if_waiting) == (5, (5, 5))
    # Without a plant counted they alone are the field.
    assert summarise([seedling, tall]).stage_if_waiting == (0, 9)


def test_an_empty_field_and_one_plant() -> None:
    empty = summarise([])
    assert (empty.plants, empty.stage, empty.shares, empty.heights) == (0, None, (), None)
    one = summarise([read("a", 3)])
    assert one.stage == 3
    assert one.shares[2].interval[0] < 0.5  # one plant says little
    assert "One plant" in one.evenness


def test_only_waiting_plants() -> None:
    field = summarise([PlantEvidence("w", outcome="hand-count")])
    assert field.stage is None
    assert field.waiting == 1


def test_plants_set_aside_have_no_height_in_the_field() -> None:
    plants = [read(str(k), 3, height_mm=100.0) for k in range(9)]
    waiting = PlantEvidence("w", outcome="hand-count", height_mm=110.0)
    aside = PlantEvidence(
        "x", outcome="rejected", height_mm=900.0, height_interval_mm=(880.0, 920.0)
    )
    found = summarise([*plants, waiting, aside]).heights
    assert found is not None
    assert (found.plants, found.tallest_tenth_mm) == (10, 110.0)


def test_a_height_by_hand_counts_in_the_field_whatever_its_photo() -> None:
    plants = [read(str(k), 3, height_mm=100.0) for k in range(9)]
    taped = PlantEvidence("x", (0, 0, 1.0), 2, "rejected", height_mm=900.0)
    stage = summarise([*plants, taped])
    assert stage.heights is not None
    assert (stage.heights.plants, stage.heights.tallest_tenth_mm) == (10, 900.0)
    assert (stage.plants, stage.rejected, stage.height_only) == (9, 0, 1)
    assert (stage.stage, stage.distribution) == (3, {3: 1.0})


def test_heights() -> None:
    # statistics of 1..20 cm by hand: mean 105 mm, sample deviation 59.16 mm, tallest two 195 mm.
    plants = [read(str(k), 3, height_mm=10.0 * k) for k in range(1, 21)]
    found = heights(plants)
    assert found is not None
    assert found.mean_mm == pytest.approx(105)
    assert found.spread_mm == pytest.approx(59.16, abs=0.01)
    assert found.standard_error_mm == pytest.approx(59.16 / 20**0.5, abs=0.01)
    assert found.tallest_tenth_mm == pytest.approx(195)
    single = heights([read("a", 3, height_mm=90.0)])
    assert single is not None
    assert single.spread_mm is None


def test_evenness_in_words() -> None:
    assert summarise([read(str(k), 5) for k in range(12)]).evenness.startswith("Even")
    some = [read(str(k), 5) for k in range(10)] + [read("x", 3), read("y", 7)]
    assert summarise(some).evenness.startswith("Somewhat uneven")
    many = [read(str(k), 5) for k in range(6)] + [read(str(k), 0) for k in range(4)]
    assert summarise(many).evenness.startswith("Uneven: plants run from VE to V5")


def test_evenness_says_of_which_stage() -> None:
    """By its zones a field may be told at another: behind and ahead are of this one."""
    even = summarise([read(str(k), 5) for k in range(12)]).evenness
    assert even == "Even: 100% of the plants are within one stage of V5."
    apart = [read(str(k), 5) for k in range(6)] + [read(str(k), 0) for k in range(4)]
    said = summarise(apart).evenness
    assert "40% two stages or more behind V5, the stage of all together, 0% two or more" in said


def test_a_large_field_is_quick() -> None:
    random = np.random.default_rng(0)
    plants = [read(str(k), int(random.integers(3, 8)), 0.9) for k in range(1000)]
    begin = time.perf_counter()
    summarise(plants)
    assert time.perf_counter() - begin < 5.0


def test_that_no_plant_has_a_stop_is_said_only_of_plants_with_an_answer_where_none_has() -> None:
    waits = PlantEvidence("w", stage=4, outcome="hand-count", stop="1")
    alone = [counted("a", 4), counted("b", 4)]
    assert summarise([waits]).stop_words is None
    assert summarise([]).stop_words is None
    assert summarise([*alone, waits]).stop_words is None
    assert (summarise(alone).stop_words or "").startswith("No plant has a stop")
    of_stops = summarise([counted("a", 4, stop="1"), counted("b", 4, stop="1")])
    assert of_stops.stop_words == of_stops.stop_effect.sentence
