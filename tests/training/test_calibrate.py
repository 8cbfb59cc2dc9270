"""Calibration: fits that are right on fresh cases of a made-up world whose chances are known.

Sources: conformal risk control (Angelopoulos et al. 2022, arXiv 2208.02814); expected calibration
error (Naeini et al. 2015), under 0.05 is well calibrated (rule of thumb); scipy.optimize.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_plants import USABLE, draw
from scipy.optimize import minimize

from collarvision.calibration import Calibration, as_json, load_calibration
from collarvision.confidence import judge
from collarvision.parts import Point
from collarvision.plant import Leaf, Plant
from collarvision.stage import believe
from training import calibrate as calibrating
from training.accepting import (
    Answers,
    calibration_error,
    risk_coverage,
    risk_threshold,
    strictest_needed,
)
from training.calibrate import calibrate, fit_logistic, main, usable_floor
from training.cases import Case, leaf_labels

PARTS = draw(3).parts


def sigmoid(z):
    return 1 / (1 + np.exp(-z))


def made_case(rng: np.random.Generator, number: int) -> Case:
    """A plant whose youngest collars are out with chances that the cues tell, in part."""
    leaves, collars, tips = [], [], []
    sure = int(rng.integers(0, 7))
    for rank in range(1, sure + 4):
        y = 1000.0 - 40.0 * rank
        here, tip = (300.0, y), (300.0 + 150.0 * (-1) ** rank, y - 100.0)
        cue = 3.0 if rank <= sure else rng.normal(-2.5, 2.0)
        out = rank <= sure or bool(rng.random() < sigmoid(0.8 * cue - 0.5))
        below_is_out = not leaves or bool(tips[-1]["has_collar"])
        out = out and below_is_out
        seen = out and rng.random() < 0.9
        score = float(sigmoid(rng.normal(2.5, 1.0)))
        leaves.append(
            Leaf(
                rank=rank,
                collar=Point(*here, score) if seen else None,
                hidden_collar=None,
                tip=Point(*tip, 0.9),
                shape="rounded" if rank == 1 else "pointed",
                side=None,
                midline=np.array([here, tip]),
                kind="paired" if seen else "hidden" if cue > 0 else "whorl",
                collar_score=score if seen else 0.5,
                tip_collared=float(sigmoid(cue)),
                rounded=0.95 if rank == 1 else 0.05,
                network_rank=rank + rng.normal(0, 0.4),
                along_px=40.0 * rank,
            )
        )
        if out:
            collars.append({"rank": rank, "x": here[0], "y": here[1], "occluded": not seen})
        tips.append({"rank": rank, "x": tip[0], "y": tip[1], "has_collar": out})
    stage = len(collars)
    second = np.exp(-0.5 * ((np.arange(13) - stage - rng.normal(0, 0.6)) / 0.6) ** 2) + 1e-3
    usable = bool(rng.random() < 0.85)
    ok = float(np.clip(rng.normal(0.9 if usable else 0.3, 0.1), 0.02, 0.98))
    usability = {**dict.fromkeys(USABLE, (1 - ok) / 6), "ok": ok}
    parts = replace(PARTS, collar_counts=second / second.sum(), usability=usability, model="made")
    plant = Plant(
        leaves=tuple(leaves),
        stalk=np.array([[300.0, 1000.0], [300.0, 500.0]]),
        base=Point(300.0, 1000.0, 0.9),
        arch=None,
        other_arches=(),
        laid=0.02,
        lost=np.array([0.97, 0.02, 0.007, 0.003]),
        anchor=0,
        below=np.array([0.97, 0.02, 0.007, 0.003]),
        first_leaf=0.95,
        merged=0,
        stray=0,
        side_breaks=0,
        length_px=700.0,
        evidence=(),
    )
    truth = {
        "usable": usable,
        "stage_v": stage,
        "collars_visible_in_image": collars,
        "tips": tips,
        "base_xy": [300.0, 1000.0],
        "height_arch_mm": None,
    }
    return Case(f"made_{number}.jpg", parts, plant, (), None, truth)


@pytest.fixture(scope="module")
def world():
    rng = np.random.default_rng(7)
    fresh = [made_case(rng, i) for i in range(400)]
    fitted, about = calibrate([made_case(rng, i) for i in range(400)])
    return fitted, about, fresh


def test_confidence_is_calibrated_on_fresh_cases(world):
    fitted, _, fresh = world
    confidence, right = [], []
    for case in fresh:
        if case.usable:
            belief = believe(case.plant, case.parts, fitted)
            confidence.append(judge(case.parts, case.plant, belief, (), fitted).confidence)
            right.append(belief.stage == case.stage)
    confidence, right = np.array(confidence), np.array(right, dtype=float)
    assert 0.5 < right.mean() < 0.99  # a world with something to be unsure about
    assert calibration_error(confidence, right) < 0.05
    accepted = confidence >= fitted.threshold
    assert accepted.mean() > 0.1
    # Risk 0.02 in expectation; a set of this size scatters by about a hundredth.
    assert 1 - right[accepted].mean() < 0.02 + 3 * np.sqrt(0.02 * 0.98 / accepted.sum())


def test_a_closer_look_that_sees_more_raises_what_is_accepted():
    """It tells half of the doubtful collars; the promise must hold on fresh photos all the same."""
    rng = np.random.default_rng(11)

    def some(n):
        first = rng.beta(5, 1, n)
        closer = np.where(rng.random(n) < 0.5, 0.995, first)
        first_right = (rng.random(n) < first).astype(float)
        closer_right = np.where(closer > first, rng.random(n) < closer, first_right).astype(float)
        return Answers(first, first_right, closer, closer_right)

    got, fresh = some(1500), some(6000)
    alone, _ = risk_threshold(got.first, got.first_right == 0, 0.05)
    threshold, met = strictest_needed(*got.levels(0.3), 0.05)
    assert met
    said, right = fresh.at(0.3)
    accepted = said >= threshold
    assert accepted.mean() > (fresh.first >= alone).mean() + 0.1
    assert (1 - right[accepted]).mean() < 0.065  # 0.05, and the scatter of 1500 photos
    # From 1 on no closer look is taken.
    assert np.array_equal(fresh.at(1.0)[0], fresh.first)


def test_fitting_makes_true_stages_likelier(world):
    fitted, _, fresh = world

    def loss(calibration):
        return -np.mean(
            [
                np.log(believe(c.plant, c.parts, calibration).probabilities[c.stage])
                for c in fresh
                if c.usable
            ]
        )

    assert loss(fitted) < loss(Calibration())


def test_unusable_photos_are_held_back(world):
    fitted, about, fresh = world
    bad = [c for c in fresh if not c.usable]
    staged = 0
    for c in bad:
        belief = believe(c.plant, c.parts, fitted)
        staged += judge(c.parts, c.plant, belief, (), fitted).outcome == "staged"
    assert staged <= 0.05 * len(bad)
    assert about["unusable_refused"] >= 0.99


def test_what_is_written_is_what_is_read(world, tmp_path):
    fitted, about, _ = world
    path = tmp_path / "calibration.json"
    path.write_text(as_json(fitted, about))
    found = load_calibration(path)
    assert found == replace(fitted, model="made", id=found.id)


@pytest.mark.parametrize("seed", range(3))
def test_logistic_fit_is_the_minimum_that_scipy_finds(seed):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(300), rng.normal(size=(300, 3))])
    y = (rng.random(300) < sigmoid(x @ [0.3, 1.0, -2.0, 0.0])).astype(float)
    prior, precision = np.array([0.0, 0.5, 0.0, 0.0]), np.array([0.1, 2.0, 2.0, 2.0])

    def loss(w):
        z = x @ w
        return np.logaddexp(0, z).sum() - y @ z + 0.5 * precision @ (w - prior) ** 2

    expected = minimize(loss, prior, method="BFGS").x
    np.testing.assert_allclose(fit_logistic(x, y, prior, precision), expected, atol=1e-3)


def test_the_threshold_keeps_the_stated_risk_in_expectation():
    # Many calibration sets; the mean risk of their thresholds on fresh cases is under alpha.
    rng = np.random.default_rng(0)
    risks = []
    for _ in range(200):
        confidence = rng.beta(6, 0.7, 800)
        threshold, met = risk_threshold(confidence, rng.random(800) > confidence, 0.02)
        if met:
            fresh = rng.beta(6, 0.7, 4000)
            accepted = fresh >= threshold
            risks.append((1 - fresh[accepted]).mean())
    assert len(risks) > 100
    assert np.mean(risks) < 0.021


def test_a_threshold_that_cannot_meet_the_risk_says_so():
    confidence = np.linspace(0.5, 0.99, 400)
    threshold, met = risk_threshold(confidence, np.arange(400) % 2 == 0, 0.02)
    assert not met
    assert threshold > 0.9


def test_no_mistakes_accept_everybody():
    confidence = np.linspace(0.6, 0.99, 300)
    assert risk_threshold(confidence, np.zeros(300, bool), 0.02) == (0.6, True)


def test_the_usable_floor_lets_one_in_a_hundred_pass():
    ok = np.linspace(0.0, 0.7, 200)
    sure = np.ones(200, dtype=bool)
    floor = usable_floor(ok, sure)
    assert (ok >= floor).sum() <= 2
    assert floor == pytest.approx(0.69, abs=0.01)
    # Those that the confidence holds back anyway need no floor.
    assert usable_floor(ok, ok < 0.5) < 0.51


def test_a_second_peak_on_one_collar_is_labelled_false():
    rng = np.random.default_rng(3)
    case = next(
        case
        for case in (made_case(rng, i) for i in range(100))
        if any(leaf.kind == "paired" for leaf in case.plant.leaves)
    )
    first = next(leaf for leaf in case.plant.leaves if leaf.kind == "paired")
    double = replace(first, tip=None, kind="tipless", collar_score=0.4)
    plant = replace(case.plant, leaves=(*case.plant.leaves, double))
    labels = leaf_labels(plant, case.truth)
    at = next(i for i, leaf in enumerate(plant.leaves) if leaf is first)
    assert labels[at].real
    assert labels[at].out
    assert labels[at].rank == first.rank
    assert not labels[-1].real


def test_calibration_error_of_a_known_table():
    # Ten at 0.95 of which eight are right, ten at 0.55 of which five are: (0.15 + 0.05) / 2.
    confidence = np.array([0.95] * 10 + [0.55] * 10)
    right = np.array([1.0] * 8 + [0.0] * 2 + [1.0] * 5 + [0.0] * 5)
    assert calibration_error(confidence, right) == pytest.approx(0.10)


def test_risk_coverage_ends_at_the_whole_set():
    # Fifty photos; of the surest forty none is wrong, and all of the others.
    curve = risk_coverage(np.arange(1, 51), np.maximum(np.arange(1, 51) - 40, 0))
    assert curve[-1] == (1.0, 0.2)
    assert curve[0] == (0.02, 0.0)


def test_a_missing_truth_file_is_one_sentence(tmp_path, capsys):
    assert main(["--truth", str(tmp_path / "none.jsonl")]) == 1
    assert "none.jsonl" in capsys.readouterr().err


def test_the_interval_factor_is_that_of_the_heights_that_are_told(monkeypatch):
    """Split conformal by hand: of 199 errors, the one of rank ceil(200 x 0.93) = 186."""
    told = {}

    def last(case, calibration):
        told[case.number] = calibration
        return case.number

    def height(got, scale, size, *, interval_factor):
        assert interval_factor == 1.0
        assert (scale, size) == ("scale", (30, 40))
        return SimpleNamespace(
            height_mm=100.0 + (got + 1) / 10, interval_mm=(90.0 + (got + 1) / 10, 0)
        )

    monkeypatch.setattr(calibrating, "last_word", last)
    monkeypatch.setattr(calibrating, "height_in_view", height)
    cases = [
        SimpleNamespace(number=n, truth={"height_arch_mm": 100.0}, scale="scale", size=(30, 40))
        for n in range(199)
    ]
    fitted = Calibration(threshold=0.77)
    assert calibrating.COVERAGE_WANTED == 0.93
    assert calibrating.interval_factor(cases, fitted) == pytest.approx(186 / 10 / 10)
    assert all(one == fitted for one in told.values())
