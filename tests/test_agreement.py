"""Agreement: against scikit-learn and a worked example, and who is held against whom."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from collarvision.agreement import (
    agreement,
    between_people,
    cohens_kappa,
    disputed,
    last_words,
    with_tool,
)
from collarvision.survey import HandCount, StoredCount


def test_kappa_of_a_worked_example() -> None:
    # 50 grant proposals, two readers: 20 both yes, 15 both no, 5 and 10 apart; kappa 0.4
    # (https://en.wikipedia.org/wiki/Cohen%27s_kappa, "Simple example").
    pairs = [(1, 1)] * 20 + [(1, 0)] * 5 + [(0, 1)] * 10 + [(0, 0)] * 15
    assert cohens_kappa(pairs) == pytest.approx(0.4)


@pytest.mark.parametrize("seed", range(5))
def test_kappa_is_scikit_learns(seed: int) -> None:
    metrics = pytest.importorskip("sklearn.metrics", reason="the other kappa is scikit-learn's")
    draw = random.Random(seed)
    truth = [draw.randint(2, 7) for _ in range(60)]
    pairs = [(stage, max(0, stage + draw.choice([-1, 0, 0, 0, 1]))) for stage in truth]
    ones, others = zip(*pairs, strict=True)
    assert cohens_kappa(pairs) == pytest.approx(metrics.cohen_kappa_score(ones, others))


def test_kappa_says_nothing_where_all_is_one_stage() -> None:
    assert cohens_kappa([(3, 3)] * 10) is None
    assert cohens_kappa([(3, 3), (4, 4)]) == 1.0
    assert cohens_kappa([(3, 4), (4, 3)]) == -1.0


def test_exact_and_within_one() -> None:
    found = agreement([(3, 3), (3, 4), (5, 3), (6, 6)])
    assert found is not None
    assert (found.plants, found.exact, found.within_one) == (4, 0.5, 0.75)
    assert agreement([]) is None


def stored(
    number: int, who: str, stage: int | None, *, read: int | None = 3, **more: object
) -> StoredCount:
    outcome = str(more.pop("outcome", "hand-count"))
    count = HandCount(who, "2027-05-20T10:00", stage, **more)  # type: ignore[arg-type]
    sha256 = f"{number:064x}"
    return StoredCount(
        number,
        sha256,
        f"{number}.jpg",
        "North",
        None,
        count,
        (),
        read,
        outcome,
        "m",  # type: ignore[arg-type]
    )


def test_each_persons_last_word_on_a_plant_counts() -> None:
    counts = [stored(1, "Ann", 3), stored(1, "Bo", 4), stored(1, "Ann", 4), stored(2, "Ann", 5)]
    (pair,) = between_people(counts)
    assert (pair.one, pair.other) == ("Ann", "Bo")
    assert (pair.agreement.plants, pair.agreement.exact) == (1, 1.0)
    assert disputed(counts) == {}
    assert disputed(counts[:2]) == {f"{1:064x}": {"Ann": 3, "Bo": 4}}
    assert len(last_words(counts)) == 2


def test_nodes_count_as_leaves_and_a_height_alone_as_nothing() -> None:
    # Purdue Extension: the first node apart is leaf 5's, so three of them are leaf 7.
    split = stored(1, "Ann", None, nodes=3, way="split-stalk")
    tall = stored(1, "Bo", None, height_mm=200.0)
    assert disputed([split, tall, stored(1, "Cy", 7)]) == {}
    assert disputed([split, stored(1, "Cy", 6)]) == {f"{1:064x}": {"Ann": 7, "Cy": 6}}
    assert disputed([stored(1, "Ann", None, nodes=99), stored(1, "Cy", 6)]) == {}


def test_counts_on_the_plant_are_told_apart_from_those_on_the_screen() -> None:
    counts = [
        stored(1, "Ann", 3, way="agreed", outcome="staged"),
        stored(2, "Ann", 3, way="marked"),
        stored(3, "Ann", 4, way="on-plant"),
        stored(4, "Ann", 4, read=None),
    ]
    (one,) = with_tool(counts)
    assert (one.agreement.plants, one.agreement.exact) == (3, pytest.approx(2 / 3))
    assert one.in_the_field is not None
    assert (one.in_the_field.plants, one.in_the_field.exact) == (1, 0.0)
    assert one.staged is not None
    assert one.staged.exact == 1.0


def test_photos_of_one_plant_are_one_plant() -> None:
    counts = [
        replace(stored(n, who, stage), one_plant=plant)
        for n, who, stage, plant in (
            (1, "Ann", 5, "1 3 1"),
            (2, "Bo", 3, "1 3 1"),  # another photo of it
            (3, "Ann", 4, "1 3 2"),
            (3, "Bo", 4, "1 3 2"),
        )
    ]
    assert disputed(counts) == {f"{2:064x}": {"Ann": 5, "Bo": 3}}
    (pair,) = between_people(counts)
    assert (pair.agreement.plants, pair.agreement.exact) == (2, 0.5)
    # Who counts one plant on two of its photos has counted one, by the last word.
    (ann, _) = with_tool([*counts, replace(stored(2, "Ann", 3), one_plant="1 3 1")])
    assert (ann.who, ann.agreement.plants, ann.agreement.exact) == ("Ann", 2, 0.5)
    # What is asked of photos stays by photo.
    assert len(last_words(counts)) == 3
