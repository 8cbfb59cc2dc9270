"""Drift: the exact test, what is warned of, and where it is said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from command import run
from surveys import MODEL, reading, sha

from collarvision import drift
from collarvision.answer import CollarMark, TipMark
from collarvision.calibration import Calibration
from collarvision.survey import HandCount, Place, SurveyReader, SurveyWriter

KNOWN = drift.Known("net", 200, {"collars": 0.6, "tips": 0.5})


def record(collar: float, tip: float = 0.9, model: str = "net") -> dict:
    return {"model": model, "collars": [{"score": collar}], "tips": [{"score": tip}]}


@pytest.mark.parametrize(
    ("hits", "trials", "share", "chance"),
    [
        # One less the cumulative binomial probabilities of the usual printed tables (n 10 and 20,
        # p 0.1 and 0.05), from memory: P(X <= 3) = 0.9872, P(X <= 4) = 0.9568, P(X <= 2) = 0.9245.
        (4, 10, 0.1, 0.0128),
        (5, 20, 0.1, 0.0432),
        (3, 20, 0.05, 0.0755),
    ],
)
def test_binomial_tail_is_that_of_printed_tables(hits, trials, share, chance):
    assert drift.at_least(hits, trials, share) == pytest.approx(chance, abs=5e-5)


def test_edges_of_the_tail():
    assert drift.at_least(0, 0, 0.1) == 1.0
    assert drift.at_least(1, 5, 0.0) == 0.0
    assert drift.at_least(5, 5, 0.5) == pytest.approx(1 / 32)


def test_usual_photos_give_no_warning_and_faint_ones_do():
    usual = [record(0.5 if k % 10 == 0 else 0.8) for k in range(40)]
    assert drift.unlike(usual, KNOWN) == ()
    faint = [record(0.5 if k % 2 else 0.8) for k in range(40)]
    (words,) = drift.unlike(faint, KNOWN)
    assert "20 of 40" in words
    assert "collars" in words


def test_few_photos_and_other_networks_say_nothing():
    assert drift.unlike([record(0.1)] * (drift.FEWEST - 1), KNOWN) == ()
    assert drift.unlike([record(0.1, model="older")] * 50, KNOWN) == ()


def farm(path: Path, plants: int, wrong: int, *, score: float = 0.9, way: str = "on-plant") -> Path:
    """A field whose accepted readings say V3, and a person who differs on some."""
    with SurveyWriter(path, create=True) as store:
        for k in range(plants):
            one = reading(
                f"IMG_{k}.jpg",
                3,
                model="net",
                sha256=sha(k + 1),
                collars=(CollarMark(1, 5.0, 5.0, score),),
                tips=(TipMark(1, 9.0, 5.0, "rounded", 0.9),),
            )
            place = Place("North", "2027-05-20", str(k % 5), "folder")
            store.add_reading(one, sha256=sha(k + 1), model=MODEL, place=place)
            stage = 4 if k < wrong else 3
            count = HandCount("A", f"2027-05-21T08:00:{k:02d}Z", stage=stage, way=way)
            store.add_hand_count(sha(k + 1), count)
    return path


def test_counts_within_the_risk_pass_and_beyond_it_warn(tmp_path):
    with SurveyReader(farm(tmp_path / "good.survey", 30, 1)) as store:
        assert drift.beyond_risk(store.counts(), 0.03) is None
    with SurveyReader(farm(tmp_path / "bad.survey", 30, 6)) as store:
        words = drift.beyond_risk(store.counts(), 0.03)
    assert words is not None
    assert "6 of 30" in words
    assert "3%" in words


def test_the_command_and_the_library_say_it(tmp_path, monkeypatch):
    known = tmp_path / "known.json"
    known.write_text(json.dumps({"model": "net", "photos": 200, "low": KNOWN.low}))
    monkeypatch.setattr(drift, "models_folder", lambda: tmp_path)
    path = farm(tmp_path / "season.survey", 30, 9, score=0.3)
    with SurveyReader(path) as store:
        likeness, risk = drift.warnings_of(store, "North")
    assert "unlike" in likeness
    assert "9 of 30" in risk
    said = run("field", str(path), "--day", "2027-05-21")
    assert said.exit_code == 0
    assert "9 of 30 accepted readings" in said.output
    quiet = farm(tmp_path / "quiet.survey", 30, 0)
    assert "accepted readings" not in run("field", str(quiet), "--day", "2027-05-21").output


def test_a_network_that_nobody_calibrated_or_noted_is_said_to_be_so(tmp_path):
    fitted = Calibration(fitted=True, model="older", id="2-abc")
    with SurveyReader(farm(tmp_path / "season.survey", 12, 0)) as store:
        plants = [replace(row, model="net", calibration="2-abc") for row in store.plants()]
    known = replace(KNOWN, model="older")
    uncalibrated, unknown = drift.unproven(plants, known, fitted)
    assert "fitted for another one, older" in uncalibrated
    assert "nothing is on record for net" in unknown
    assert drift.unproven(plants, None, replace(fitted, model="net")) == (unknown,)
    assert drift.unproven(plants, KNOWN, replace(fitted, model="net")) == ()
    # Read before the present calibration came: nothing is known of what reads now.
    before = [replace(row, calibration="2-old") for row in plants]
    assert drift.unproven(before, known, fitted) == ()


def test_a_broken_file_is_one_sentence(tmp_path):
    bad = tmp_path / "known.json"
    bad.write_text("{}")
    with pytest.raises(drift.ModelError, match="broken"):
        drift.load_known(bad)
