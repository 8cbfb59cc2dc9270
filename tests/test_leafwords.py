"""Leaf words against the published pairs of collars, tips, drooping leaves and BBCH codes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collarvision.leafwords import (
    MEANINGS,
    LeafWordError,
    bbch_from_collars,
    collars_from_bbch,
    collars_from_leaves,
    explain,
    leaf_probabilities,
    leaves_from_collars,
)


@pytest.mark.parametrize(
    ("collars", "tips"),
    [
        (3, 6),  # seed-company agronomy note 2011, pictured plant
        (4, 6),  # Ohio State Univ. Extension AGF-127
        (4, 7),  # ARVALIS glossary, pictured plant
        (7, 9),  # Univ. of Georgia 2018
    ],
)
def test_published_tips(collars: int, tips: int) -> None:
    span = leaves_from_collars(collars, "visible tips")
    assert tips in span.counts
    assert span.published
    assert len(span.counts) == 2
    assert collars in collars_from_leaves(tips, "visible tips").counts


@pytest.mark.parametrize(
    ("collars", "drooping"),
    [
        (4, 5),  # AGF-127: collars + 1 to 2
        (4, 6),
        (5, 6),  # Univ. of Nebraska hail article: 6-7
        (5, 7),
        (6, 7),  # Iowa State Univ. 2008
        (6, 8),  # Univ. of Kentucky, 6 June 2007
    ],
)
def test_published_drooping_leaves(collars: int, drooping: int) -> None:
    span = leaves_from_collars(collars, "drooping leaves")
    assert drooping in span.counts
    assert span.published
    assert collars in collars_from_leaves(drooping, "drooping leaves").counts


def test_bbch_1n_is_not_vn() -> None:
    # ARVALIS glossary: one pictured plant is V4 = BBCH 16 = 7 visible tips.
    assert 16 in bbch_from_collars(4).counts
    assert 4 in collars_from_bbch(16).counts
    assert 6 not in collars_from_bbch(16).counts
    assert 14 not in bbch_from_collars(4).counts


def test_bbch_emergence_and_the_end_of_leaf_counting() -> None:
    # Lancashire et al. 1991: 09 emergence, 10 first leaf through the coleoptile, 19 nine or more.
    assert list(bbch_from_collars(0).counts) == [9, 10]
    assert collars_from_bbch(9).low == 0
    assert bbch_from_collars(15).counts == range(19, 20)
    assert collars_from_bbch(19).high == 22


@pytest.mark.parametrize("code", [0, 8, 20, 31, -1])
def test_other_bbch_codes_count_no_leaves(code: int) -> None:
    with pytest.raises(LeafWordError, match="count the collars"):
        collars_from_bbch(code)


@given(st.integers(0, 20), st.sampled_from(MEANINGS))
def test_there_and_back_holds_the_truth(collars: int, meaning: str) -> None:
    for leaves in leaves_from_collars(collars, meaning).counts:  # type: ignore[arg-type]
        assert collars in collars_from_leaves(leaves, meaning).counts  # type: ignore[arg-type]


@given(st.integers(0, 20), st.sampled_from(MEANINGS))
def test_a_plant_with_more_collars_never_has_fewer_leaves(collars: int, meaning: str) -> None:
    now = leaves_from_collars(collars, meaning)  # type: ignore[arg-type]
    later = leaves_from_collars(collars + 1, meaning)  # type: ignore[arg-type]
    assert later.low >= now.low
    assert later.high >= now.high
    assert now.low >= collars


@given(st.integers(0, 20), st.sampled_from(MEANINGS))
def test_probabilities_add_up(collars: int, meaning: str) -> None:
    found = leaf_probabilities(collars, meaning)  # type: ignore[arg-type]
    assert sum(found.values()) == pytest.approx(1)


def test_collars_are_collars() -> None:
    assert leaf_probabilities(5, "collars") == {5: 1.0}
    assert collars_from_leaves(5, "collars").counts == range(5, 6)


def test_beyond_the_table_it_says_so() -> None:
    assert not leaves_from_collars(10, "visible tips").published
    assert "beyond" in explain(10, "visible tips")
    assert explain(4, "visible tips") == "V4 shows 6 to 7 visible tips (published pairs)."
    assert explain(4, "collars") == "V4 is 4 collars."


def test_no_leaves_at_all() -> None:
    assert collars_from_leaves(0, "visible tips").low == 0


@pytest.mark.parametrize("count", [-1, 40])
def test_counts_that_are_no_plant(count: int) -> None:
    with pytest.raises(LeafWordError):
        leaves_from_collars(count, "visible tips")
