"""Handles: from a reading's record to points, and from points to a count."""

from __future__ import annotations

from collarvision.handles import (
    Handle,
    describe,
    handles_of_record,
    lost_leaf,
    point_of,
    problems,
    stage_of,
)


def collars(*ranks: int) -> list[Handle]:
    return [Handle("collar", 50.0, 100.0 - 10 * rank, rank) for rank in ranks]


def test_a_record_becomes_handles_with_lost_leaves_as_leaves() -> None:
    record = {
        "collars": [{"rank": 2, "x": 5.0, "y": 9.0, "score": 1}, {"rank": None, "x": 5, "y": 7}],
        "tips": [{"rank": 2, "x": 1.0, "y": 2.0, "shape": "pointed", "score": 1}],
        "lower_leaves_missing": 1,
        "soil_line": [5.0, 12.0],
        "arch": None,
    }
    handles = handles_of_record(record)
    assert handles == (
        lost_leaf(1),
        Handle("collar", 5.0, 9.0, 2),
        Handle("collar", 5, 7, 3),  # the one above leaf 2
        Handle("tip", 1.0, 2.0, 2),
        Handle("soil", 5.0, 12.0),
    )
    assert point_of(handles, "soil") == (5.0, 12.0)
    assert point_of(handles, "arch") is None


def test_of_tips_with_one_number_the_surest_keeps_it() -> None:
    tips = [
        {"rank": rank, "x": 1.0 * n, "y": 2.0, "shape": shape, "score": score}
        for n, (rank, shape, score) in enumerate(
            [(1, "rounded", 0.5), (6, "pointed", 0.4), (6, "pointed", 0.9), (6, None, 0.9)]
        )
    ]
    handles = handles_of_record({"tips": tips})
    assert [h.rank for h in handles] == [1, None, 6, None]
    assert [h.rounded for h in handles] == [True, False, False, False]
    assert problems(handles) == ()


def test_a_rejected_photo_has_no_handles() -> None:
    empty = {"collars": [], "tips": [], "soil_line": None, "lower_leaves_missing": None}
    assert handles_of_record(empty) == ()


def test_leaving_out_four_lost_leaves_turns_v12_into_v8() -> None:
    # Univ. of Nebraska-Lincoln, CropWatch, 2020.
    shown = collars(*range(5, 13))
    assert len(shown) == 8
    counted = [*(lost_leaf(rank) for rank in range(1, 5)), *shown]
    assert stage_of(counted) == 12
    assert problems(counted) == ()


def test_leaves_that_are_lost_count_where_no_collar_is_left() -> None:
    # Lost leaves count as the others do (Univ. of Nebraska-Lincoln, CropWatch, 2020).
    assert stage_of([lost_leaf(1), lost_leaf(2)]) == 2
    assert stage_of([lost_leaf(1), *collars(2), lost_leaf(3)]) == 3


def test_leaves_in_the_whorl_are_not_counted_and_no_collar_is_ve() -> None:
    # R. L. Nielsen, Purdue Univ., 2019: leaves in the whorl are not counted.
    assert stage_of([*collars(1, 2), Handle("tip", 1, 1, 3), Handle("tip", 1, 1, 4)]) == 2
    assert stage_of([Handle("tip", 1.0, 1.0, 1)]) == 0


def test_a_hidden_collar_counts() -> None:
    assert stage_of([*collars(1, 2), Handle("collar", 1.0, 1.0, 3, occluded=True)]) == 3


def test_what_keeps_handles_from_being_a_count_is_told() -> None:
    def told(*handles: Handle) -> str:
        return " ".join(problems(handles, (100, 200)))

    assert told(*collars(1, 3)) == (
        "Leaf 2 without a collar: add it, mark the leaf lost, or renumber."
    )
    assert "Two collars have number 1" in told(*collars(1, 1))
    assert "Leaf 1 is marked lost but has a collar" in told(lost_leaf(1), *collars(1))
    assert "outside the photo" in told(Handle("collar", 101.0, 5.0, 1))
    assert "no place" in told(Handle("collar", None, None, 1))
    assert "no place" in told(Handle("arch", float("nan"), 1.0))
    assert "more than one soil" in told(Handle("soil", 1, 1), Handle("soil", 2, 2))
    assert "number from 1 to 22" in told(Handle("collar", 1, 1, 23))
    assert "number from 1 to 22" in told(Handle("collar", 1, 1, None))
    assert "Only leaf 1 has a round tip" in told(Handle("tip", 1, 1, 2, rounded=True))
    assert told(Handle("tip", 1, 1, None)) == ""  # a tip of a leaf that nobody knows


def test_words() -> None:
    assert describe([lost_leaf(1), *collars(2, 3)]) == "V3: 2 collars, 1 leaf lost"
    assert describe(collars(1)) == "V1: 1 collar"
