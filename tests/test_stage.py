"""Stage: counting by probability, from drawn plants and against published counts.

Sources: R.L. Nielsen, Purdue University, May 2019 (the collar rule); University of
Nebraska-Lincoln, CropWatch, 2020 (leaving out four lost leaves turns V12 into V8); scipy for the
binomial and convolution checks.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from drawn_plants import draw, without_collar
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from collarvision.calibration import Calibration
from collarvision.ladder import MOST_MISSED
from collarvision.plant import assemble
from collarvision.stage import FIRST_SIGHT, believe, count_distribution, numbered, pool

GUESSES = Calibration()


def belief_of(drawn):
    return believe(assemble(drawn.parts), drawn.parts, GUESSES)


@pytest.mark.parametrize("stage", range(10))
def test_v_n_is_n_collars(stage):
    belief = belief_of(draw(stage, whorl=2))
    assert belief.stage == stage
    assert belief.probabilities.sum() == pytest.approx(1.0)
    assert belief.probabilities[stage] > 0.9


def test_what_was_believed_before_a_closer_look_still_counts():
    five, six = (draw(stage, whorl=2) for stage in (5, 6))
    closer, before = belief_of(six), belief_of(five)
    both = believe(assemble(six.parts), six.parts, GUESSES, before=before)
    assert both.stage == 6  # the closer look weighs more
    assert both.probabilities.sum() == pytest.approx(1.0)
    assert both.probabilities[6] < closer.probabilities[6]
    log_odds = [np.log(b.probabilities[6] / b.probabilities[5]) for b in (before, both, closer)]
    assert (log_odds[2] - log_odds[1]) / (log_odds[2] - log_odds[0]) == pytest.approx(
        FIRST_SIGHT,
        abs=0.02,  # each belief has a floor
    )
    again = believe(assemble(six.parts), six.parts, GUESSES, before=closer)
    assert again.probabilities[6] == pytest.approx(closer.probabilities[6], abs=0.03)


def test_lost_leaves_count():
    # CropWatch 2020: leaving out the lost leaves reads low. Three lost of V9.
    drawn = draw(9, lost=3, whorl=3)
    plant = assemble(drawn.parts)
    assert sum(leaf.collar is not None for leaf in plant.leaves) == 6
    belief = believe(plant, drawn.parts, GUESSES)
    assert belief.stage == 9
    # Each opinion counts them for itself; the network's own count is of collars that are there.
    assert drawn.parts.collar_counts.argmax() == 6
    for opinion in (belief.ladder, belief.count, belief.second_opinion):
        assert opinion.argmax() == 9


def test_a_leaf_counts_from_where_its_collar_is_more_likely_out_than_not():
    drawn = draw(5, whorl=2)
    plant = assemble(drawn.parts)
    doubtful = []
    for score in np.linspace(0.2, 0.9, 29):
        third = replace(plant.leaves[2], tip_collared=0.2, collar_score=float(score))
        leaves = (*plant.leaves[:2], third, *plant.leaves[3:])
        belief = believe(replace(plant, leaves=leaves), drawn.parts, GUESSES)
        assert belief.counted[2] == (belief.leaf_probabilities[2] > 0.5)
        doubtful.append(belief.leaf_probabilities[2])
    assert any(0.35 < p < 0.5 for p in doubtful)
    assert any(0.5 < p < 0.65 for p in doubtful)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(1, 8),
    st.integers(0, 2),
    st.lists(st.tuples(st.integers(0, 8), st.floats(-1.2, 1.2)), max_size=4),
    st.lists(st.integers(0, 8), max_size=2),
)
def test_the_numbers_drawn_agree_with_the_stage_and_the_leaves_lost(stage, lost, off, unseen):
    """However the network errs: numbers off, collars and tips not found."""
    drawn = draw(stage + lost, lost=lost, whorl=2)
    collars, tips = list(drawn.parts.collars), list(drawn.parts.tips)
    for at, by in off:
        if at < len(collars):
            collars[at] = replace(collars[at], rank=collars[at].rank + by)
        if at < len(tips):
            tips[at] = replace(tips[at], rank=tips[at].rank - by)
    collars = [c for i, c in enumerate(collars) if i not in unseen]
    tips = [t for i, t in enumerate(tips) if i + 1 not in unseen]
    parts = replace(drawn.parts, collars=tuple(collars), tips=tuple(tips))
    plant = assemble(parts)
    belief = believe(plant, parts, GUESSES)
    numbers = belief.numbers
    known = [rank for rank in numbers.ranks if rank is not None]
    assert known == sorted(set(known))
    assert numbers.below <= belief.stage
    assert all(rank > numbers.below for rank in known)
    # Up to the stage every leaf is lost, or has a number, or was missed between two that have.
    counted = [numbers.below, *(rank for rank in known if rank <= belief.stage), belief.stage]
    assert max(b - a for a, b in itertools.pairwise(counted)) <= MOST_MISSED + 1
    assert [leaf.rank for leaf in numbered(plant, belief).leaves] == list(numbers.filled)


def test_whorl_leaves_do_not_count_however_many():
    assert [belief_of(draw(4, whorl=n)).stage for n in range(4)] == [4, 4, 4, 4]


def test_a_hidden_collar_counts_but_less_surely():
    seen = belief_of(draw(5))
    hidden = belief_of(without_collar(draw(5), 2))
    assert hidden.stage == 5
    assert hidden.probabilities[5] < seen.probabilities[5]
    assert "1 more hidden behind a blade." in hidden.evidence


def test_evidence_reads_like_a_scout():
    belief = belief_of(draw(5, whorl=2))
    assert belief.evidence[:2] == ("5 collars seen.", "Lowest leaf rounded, so it is leaf 1.")
    assert "2 younger leaves not counted: their collars are still in the whorl." in belief.evidence


def test_a_disagreeing_second_opinion_lowers_the_belief_and_is_told():
    drawn = draw(5)
    other = np.full(13, 0.05 / 11)
    other[5], other[6] = 0.25, 0.7
    parts = replace(drawn.parts, collar_counts=other)
    doubted = believe(assemble(parts), parts, GUESSES)
    assert doubted.probabilities[5] < belief_of(drawn).probabilities[5] - 0.05
    assert doubted.stage == 5
    assert "The second opinion says V6." in doubted.evidence


@given(st.integers(1, 12), st.floats(0.01, 0.99))
def test_equal_chances_are_a_binomial(n, p):
    # Reference: scipy.stats.binom.
    np.testing.assert_allclose(
        count_distribution(np.full(n, p)), binom.pmf(np.arange(n + 1), n, p), atol=1e-12
    )


@given(st.lists(st.floats(0.0, 1.0), max_size=8))
def test_unequal_chances_sum_over_every_outcome(chances):
    brute = np.zeros(len(chances) + 1)
    for outcome in itertools.product([0, 1], repeat=len(chances)):
        brute[sum(outcome)] += np.prod(
            [c if o else 1 - c for c, o in zip(chances, outcome, strict=True)]
        )
    np.testing.assert_allclose(count_distribution(np.array(chances)), brute, atol=1e-12)


@given(st.integers(0, 12), st.floats(0.1, 1.5))
def test_a_pool_of_one_opinion_keeps_its_order(stage, weight):
    opinion = np.full(13, 0.02)
    opinion[stage] = 1.0 - 12 * 0.02
    pooled = pool({"count": opinion}, {"count": weight})
    assert pooled.argmax() == stage
    assert pooled.sum() == pytest.approx(1.0)
