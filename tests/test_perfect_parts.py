"""The rooms that read a plant, fed with parts that have no network's error.

The plants are those of our own generator, whose truth is geometry (`training.perfect` wrote the
file): what is wrong here is wrong in the rooms. The rules themselves are published: collars counted
from the rounded first leaf, lost ones included (R.L. Nielsen, Purdue University, May 2019); height
to the arch of the uppermost leaf at least half out (A. Hager, University of Illinois, 2012).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from collarvision import arch
from collarvision.calibration import Calibration
from collarvision.height import measure
from collarvision.plant import Plant, assemble
from collarvision.stage import believe
from training.perfect import Perfect, load, with_arch

FILE = Path(__file__).parent / "perfect_plants.npz"


@pytest.fixture(scope="module")
def plants() -> list[Perfect]:
    return load(FILE)


@pytest.fixture(scope="module")
def assembled(plants: list[Perfect]) -> list[Plant]:
    """The plants as their parts make them; frozen, so that one making serves all tests."""
    return [assemble(plant.parts, plant.scale) for plant in plants]


def test_the_file_holds_plants_of_every_kind(plants) -> None:
    stages = {plant.truth["stage_v"] for plant in plants}
    assert stages >= set(range(10))
    assert {plant.truth["layout"] for plant in plants} == {"standing", "laid"}
    assert sum(plant.truth["lower_leaves_missing"] > 0 for plant in plants) >= 8
    assert sum(plant.truth["hard_case"] != "none" for plant in plants) >= 10


def test_perfect_parts_give_the_stage(plants, assembled) -> None:
    """The leaves alone: the network's own opinion of the stage is level in these parts."""
    wrong = {}
    for number, (plant, whole) in enumerate(zip(plants, assembled, strict=True)):
        belief = believe(whole, plant.parts, Calibration())
        if int(belief.ladder.argmax()) != plant.truth["stage_v"]:
            wrong[number] = (plant.truth["stage_v"], int(belief.ladder.argmax()))
    assert len(wrong) <= 0.02 * len(plants), wrong


def test_leaves_get_their_own_numbers(assembled) -> None:
    right = total = 0
    for whole in assembled:
        for leaf in whole.leaves:
            right += leaf.rank == round(leaf.network_rank)
            total += 1
    assert right >= 0.98 * total


def errors(
    plants: list[Perfect], assembled: list[Plant], *, arch_told: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Relative errors of the heights, and whether each lies in its interval."""
    off, inside = [], []
    for plant, whole in zip(plants, assembled, strict=True):
        true_mm = plant.truth["height_arch_mm"]
        if true_mm is None:
            continue
        parts = with_arch(plant, 0.6) if arch_told else plant.parts
        if arch_told:
            whole = assemble(parts, plant.scale)
        height = measure(parts, whole, plant.scale, interval_factor=1.0)
        assert height is not None
        off.append(abs(height.height_mm / true_mm - 1))
        inside.append(height.interval_mm[0] <= true_mm <= height.interval_mm[1])
    return np.array(off), np.array(inside)


def test_heights_with_the_arch_told(plants, assembled) -> None:
    off, inside = errors(plants, assembled, arch_told=True)
    assert len(off) >= 40
    # One plant in five is turned anyhow: how far before the stalk its arch is, nobody can see.
    assert np.median(off) < 0.04
    assert np.quantile(off, 0.85) < 0.20
    assert inside.mean() >= 0.8  # without the calibration's factor


def test_heights_from_the_leaves_shapes_alone(plants, assembled, monkeypatch) -> None:
    """Traced leaves say which one governs; some cross others, and are traced wrongly."""
    monkeypatch.setattr(arch, "HEAT_POWER", 0.0)
    off, inside = errors(plants, assembled, arch_told=False)
    assert np.median(off) < 0.08
    assert (off < 0.25).mean() >= 0.7
    assert inside.mean() >= 0.8


def test_a_plant_without_an_arch_is_measured_as_it_stands(plants) -> None:
    bare = [p for p in plants if not p.truth["height_arch_mm"] and p.truth["layout"] == "standing"]
    bases = []
    for plant in bare:
        height = measure(plant.parts, assemble(plant.parts, plant.scale), plant.scale)
        bases.append(None if height is None else height.basis)
    assert sum(basis == "free-standing" for basis in bases) >= 0.85 * len(bare)


def test_a_pulled_seedling_keeps_its_collar(plants) -> None:
    """More of its stalk lies under the soil line than over it: the blades tell which way is up."""
    pulled = [p for p in plants if p.truth["layout"] == "laid" and p.truth["stage_v"] == 1]
    counts = [sum(leaf.counts for leaf in assemble(p.parts, p.scale).leaves) for p in pulled]
    assert len(counts) >= 4
    assert counts == [1] * len(counts)
