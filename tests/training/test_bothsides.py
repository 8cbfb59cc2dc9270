"""Both sides: a second photo's figures, on drawn plants of known truth."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_kept import made_case

from collarvision import together
from collarvision.calibration import load_calibration
from collarvision.together import put_together
from training import bothsides
from training.cases import Case


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    """Plants whose photos miss the top collar now and then, each from its own side."""
    rng, found = np.random.default_rng(5), []
    for number in range(32):
        one = made_case(number, rng)
        while True:
            other = made_case(number, rng)
            if other.stage == one.stage:
                break
        found += [one, replace(other, name=f"{number}{bothsides.OTHER}.jpg")]
    lone = replace(made_case(99, rng), name="lone.jpg")
    spoilt = replace(found[1], truth=found[1].truth | {"usable": False})
    return [found[0], spoilt, *found[2:], lone]


def test_only_plants_usable_from_both_sides_count(cases: list[Case]) -> None:
    plants = bothsides.plants_of(cases, load_calibration())
    assert len(plants) == 31
    for plant in plants:
        one, other = (Path(side.name).stem for side in plant.sides)
        assert other == f"{one}{bothsides.OTHER}"
    assert all(one["outcome"] for plant in plants for one in plant.records)


def test_figures_tell_what_is_right_and_what_was_accepted(cases: list[Case]) -> None:
    plants = bothsides.plants_of(cases, load_calibration())
    one = bothsides.figures(plants, [put_together(plant.records[:1]) for plant in plants])
    both = bothsides.figures(plants, [put_together(plant.records) for plant in plants])
    by_hand = np.mean([plant.records[0]["stage"] == plant.stage for plant in plants])
    assert one.exact == pytest.approx(by_hand)
    assert 0.8 < one.exact < 1.0
    assert one.plants == both.plants == 31
    # A collar that one photo misses shows in the other, for most plants.
    assert both.log_likelihood > one.log_likelihood
    assert both.accepted_wrong <= both.accepted * both.plants


def test_the_fit_finds_what_was_put_in(cases: list[Case]) -> None:
    plants = bothsides.plants_of(cases, load_calibration())
    twins = [replace(plant, records=(plant.records[0],) * 2) for plant in plants]
    told = bothsides.fitted(twins)
    # The same photo twice says nothing new: all of its error is in common, or it is never wrong.
    assert told.alike >= bothsides.fitted(plants).alike
    assert told.sure[1] > 0.0
    assert 0.0 < told.enough <= 1.0
    assert 0.0 <= together.ALIKE <= 1.0


def test_the_command_prints_a_row_each_and_refuses_too_few(
    cases: list[Case], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a.pkl").write_bytes(pickle.dumps(cases))
    assert bothsides.main(["--kept", str(tmp_path / "a.pkl")]) == 0
    said = capsys.readouterr().out
    assert [line.split()[1] for line in said.splitlines()[2:5]] == ["first", "second", "both"]
    assert "fitted on all: ALIKE" in said
    (tmp_path / "b.pkl").write_bytes(pickle.dumps(cases[:4]))
    assert bothsides.main(["--kept", str(tmp_path / "b.pkl")]) == 1
    assert "too few" in capsys.readouterr().err
