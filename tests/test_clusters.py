"""Clusters: plants of one stop are alike, and the intervals say so."""

from __future__ import annotations

import numpy as np
import pytest

from collarvision.clusters import ALONE, share_effect, stop_effect
from collarvision.evidence import PlantEvidence
from collarvision.field import share_belief, summarise


def plants(stages: list[int], stops: list[str | None]) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"p{k}", hand_count=stage, stop=stop)
        for k, (stage, stop) in enumerate(zip(stages, stops, strict=True))
    ]


def walk(stops: list[list[int]]) -> list[PlantEvidence]:
    names: list[str | None] = [str(k) for k, stop in enumerate(stops) for _ in stop]
    return plants([stage for stop in stops for stage in stop], names)


def test_the_likeness_by_hand() -> None:
    """One-way analysis of variance by hand, three stops of four.

    Stop means 4, 5, 6, each +-1 about it: MSB = 4 * (1 + 0 + 1) / 2 = 4, MSW = 3 * 2 / 9 = 2/3,
    rho = (4 - 2/3) / (4 + 3 * 2/3) = 0.5556. Drawn to 0.2 with the weight of two stops against
    two: 0.3778. Student's t of 4 degrees of freedom is 2.776 (any table), so the effect is
    1 + 3 * 0.3778 * (2.776 / 1.960)^2 = 3.274.
    """
    found = stop_effect(walk([[3, 5, 4, 4], [4, 6, 5, 5], [5, 7, 6, 6]]))
    assert found.stops == 3
    assert found.likeness == pytest.approx(0.3778, abs=1e-4)
    assert found.effect == pytest.approx(3.274, rel=0.03)


def test_no_stop_one_stop_and_plants_all_alike() -> None:
    assert stop_effect([]) is ALONE
    assert stop_effect(plants([4, 5], [None, None])) is ALONE
    assert "too narrow" in ALONE.sentence
    one = stop_effect(plants([4, 5, 4, 5], ["1"] * 4))
    assert one.likeness == pytest.approx(0.2)
    # Student's t of 2 degrees of freedom: 4.303. The expansion is 9 % low so far out.
    assert one.effect == pytest.approx(1 + 3 * 0.2 * (4.303 / 1.960) ** 2, rel=0.15)
    alike = stop_effect(walk([[4] * 5, [4] * 5]))
    assert alike.likeness == pytest.approx(0.2)
    assert "2 stops" in alike.sentence
    singles = stop_effect(walk([[4], [5], [6]]))
    assert singles.effect == 1
    assert "almost in full" in singles.sentence


def test_plants_without_a_stop_beside_others_are_places_of_their_own() -> None:
    """As where nobody has one: to name one plant's stop must not make the rest one clump."""
    found = stop_effect(plants([4, 4, 5, 5], ["1", "1", None, None]))
    assert (found.stops, found.without) == (1, 2)
    stages = [3 + k % 2 for k in range(50)]
    alone = summarise(plants(stages, [None] * 50))
    one = summarise(plants(stages, ["3", *[None] * 49]))
    assert one.stop_effect.effect == 1
    assert [share.interval for share in one.shares] == [share.interval for share in alone.shares]
    assert one.stop_effect.sentence.endswith(
        "49 plants have no stop and count as places of their own: the intervals are too narrow if "
        "many were beside each other."
    )
    two = stop_effect(plants([4, 5, 5], ["1", "1", None]))
    assert "1 plant has no stop and counts as a place of its own" in two.sentence


def test_a_share_has_an_effect_of_its_own() -> None:
    """Patches of V4 and V5 say much of the share past V5 and nothing of the one past V3."""
    field = summarise(walk([[4] * 4, [4] * 4, [5] * 4, [5] * 4]))
    effects = {share.stage: share.stop_effect.effect for share in field.shares}
    assert effects[5] > effects[4] > 1
    assert field.stop_effect.effect == effects[5]
    # Nothing told: the likeness is the prior's, 0.2.
    assert share_effect([True] * 4, ["1", "1", "2", "2"]).likeness == pytest.approx(0.2)


def clustered(random: np.random.Generator, share: float, rho: float, stops: int, each: int) -> list:
    """Stops of a field whose own shares spread around the field's as Beta: rho by construction."""
    a, b = share * (1 / rho - 1), (1 - share) * (1 / rho - 1)
    return [
        (4 + (random.random(each) < here)).astype(int).tolist() for here in random.beta(a, b, stops)
    ]


@pytest.mark.parametrize(("stops", "rho"), [(5, 0.1), (7, 0.3), (15, 0.2)])
def test_intervals_hold_the_share_of_a_clumped_field(stops: int, rho: float) -> None:
    """Simulated walks of a field with patches: 95 % intervals hold its share 9 times in 10.

    Taking each plant for itself they don't, where patches are strong: the effect is needed.
    """
    random = np.random.default_rng(7)
    held = alone = 0
    walks = 200
    for _ in range(walks):
        share = random.uniform(0.2, 0.8)
        seen = walk(clustered(random, share, rho, stops, 8))
        past = [float((p.hand_count or 0) >= 5) for p in seen]
        low, high = share_belief(past, stop_effect(seen).effect).interval()
        held += low <= share <= high
        low, high = share_belief(past).interval()
        alone += low <= share <= high
    assert held >= 0.9 * walks
    assert held > alone
    if rho >= 0.2:
        assert alone < 0.9 * walks


def test_as_wide_as_a_bootstrap_of_whole_stops() -> None:
    """The other usual way to the same end: draw whole stops with replacement, many times."""
    random = np.random.default_rng(5)
    stops = clustered(random, 0.5, 0.25, 40, 6)
    seen = walk(stops)
    fifth = next(s for s in summarise(seen).shares if s.stage == 5)
    means = np.array([np.mean(np.array(stop) >= 5) for stop in stops])
    drawn = means[random.integers(0, 40, (4000, 40))].mean(axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert fifth.interval[1] - fifth.interval[0] == pytest.approx(high - low, rel=0.15)


def test_more_plants_a_stop_never_widen_an_interval_on_average() -> None:
    random = np.random.default_rng(3)
    widths = []
    for each in (2, 4, 8, 16):
        found = []
        for _ in range(60):
            field = summarise(walk(clustered(random, 0.5, 0.2, 6, each)))
            fifth = [s for s in field.shares if s.stage == 5]
            found += [s.interval[1] - s.interval[0] for s in fifth]
        widths.append(np.mean(found))
    assert widths == sorted(widths, reverse=True)


def test_an_effect_under_one_is_refused() -> None:
    with pytest.raises(ValueError, match="design effect"):
        share_belief([0.5], 0.9)
