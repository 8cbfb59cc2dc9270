"""Field names: what is said of one that isn't known."""

from __future__ import annotations

import pytest

from collarvision.fieldnames import listed, meant, new_words


def test_a_near_name_is_asked_after_and_else_all_are_named():
    known = ["Owl Forty", "Heron Slope"]
    assert meant("owl fourty", known) == "did you mean 'Owl Forty'?"
    assert meant("zzz", known) == "it has Owl Forty, Heron Slope."
    # Four letters in common are no slip of the keys: the list is more use than a guess.
    assert meant("Nope", known) == "it has Owl Forty, Heron Slope."
    assert meant("Heron Slop", known) == "did you mean 'Heron Slope'?"
    assert listed([f"F{k}" for k in range(13)]).endswith("F11, ...")
    assert listed(known) == "Owl Forty, Heron Slope"


@pytest.mark.parametrize(
    ("new", "asked"),
    [
        (["North quarter", "North qarter"], True),
        (["North quarter", "Nroth quarter"], True),
        (["North quarter", "North quareter"], True),
        (["north_quarter", "north-qarter"], True),
        (["North quarter", "North quarterr"], True),
        (["North quarter", "Northquarter"], True),
        (["North quarter", "South quarter"], False),
        (["Northeast", "Northwest"], False),
        (["Field A", "Field B"], False),
        (["Lot 12", "Lot 13"], False),
        (["Lot12a", "Lot12b"], False),
        (["Creek", "Creek bottom"], False),
        (["field_a", "field_b"], False),
        (["FieldA", "FieldB"], False),
        (["quarter-NE", "quarter-NW"], False),
        (["SmithE", "SmithW"], False),
        (["Hill", "Mill"], False),
    ],
)
def test_new_fields_that_are_nearly_alike_are_asked_about(new: list[str], asked: bool) -> None:
    told = new_words(new, [])
    assert told[0] == f"New in this survey: {new[0]}, {new[1]}."
    assert told[1:] == (
        [
            f"{new[0]} and {new[1]}: is that one field? Then give it one name and run again with "
            "--restage."
        ]
        if asked
        else []
    )
    assert new_words(new, ["Owl"]) == told
    assert new_words([], new) == []


def test_of_many_names_that_are_alike_the_first_are_asked_about() -> None:
    names = [f"Ridge {'m' * k}eadow" for k in range(1, 40)]
    told = new_words(names, [])
    assert told[1].startswith("Ridge meadow and Ridge mmeadow: is that one field?")
    assert told[-1] == "26 more pairs of names are nearly alike."
    assert len(told) == 14
