"""Round after round: what is learnt from, what is measured on, and what is said to be left out.

Training, exporting and reading are left out here: `test_relabel.py` and `test_relabel_tool.py` show
them.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch isn't installed: pip install -e '.[train]'")

from test_relabel import at_stops, make_survey  # noqa: E402

from training import checkpoint, corrected, gate, inplace, relabel, sidebyside  # noqa: E402
from training.corrected import corrected_plants, group_of, write_photos, write_training  # noqa: E402
from training.network import GLOBAL_CHANNELS  # noqa: E402
from training.scoring import read_jsonl  # noqa: E402


@pytest.fixture
def farm(tmp_path, monkeypatch):
    """60 marked plants at 20 stops, and everything that takes time left out."""

    def train_on(options, folder):
        there = options.out / "candidate" / "checkpoint.pt"
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(options.init, there)
        return there

    monkeypatch.setattr(relabel, "train_on", train_on)
    monkeypatch.setattr("training.export.export", lambda weights, out: out.write_text("new"))
    monkeypatch.setattr(relabel, "compare", lambda *_: (at_stops(6), {}))
    monkeypatch.setattr(relabel, "note_known", lambda *_: "Noted.")
    monkeypatch.setattr(relabel, "FEWEST_TO_TRAIN", 5)
    (tmp_path / "models").mkdir()
    torch.save({"weights": {}, "settings": {"seed": 1}}, tmp_path / "weights.pt")
    return make_survey(tmp_path / "farm")


def run(home: Path, survey: Path, *more: str):
    words = ["--survey", survey, "--out", home / "out", "--models", home / "models"]
    words += ["--init", home / "weights.pt", *more]
    decision = relabel.relabel(relabel.arguments([str(word) for word in words]))
    return decision, json.loads((home / "out" / "report.json").read_text())["told"]


def named(home: Path, share: str) -> set[str]:
    rows = read_jsonl(home / "out" / "plants" / share / "truth.jsonl")
    return {row["sha256"] for row in rows}


def test_what_was_learnt_is_never_measured_or_calibrated_on_later(tmp_path, farm, monkeypatch):
    to_calibrate = {p.sha256 for p in corrected_plants(farm)[0] if p.share == "calibrate"}
    decision, told = run(tmp_path, farm)
    assert decision.passed
    assert to_calibrate
    first = named(tmp_path, "train")
    assert to_calibrate < first  # too few to calibrate on: they are learnt from
    assert any(f"The {len(to_calibrate)} plants to calibrate on are learnt" in t for t in told)
    assert checkpoint.learnt_by(tmp_path / "weights.pt") == first  # promoted with the weights

    # Photos enough by now, and a split that has changed: what was learnt stays learnt.
    monkeypatch.setattr(relabel, "TO_CALIBRATE", 1)
    monkeypatch.setattr(relabel, "new_calibration", lambda *_: "Calibrated.")
    share_of = corrected.share_of
    monkeypatch.setattr(corrected, "share_of", lambda group: share_of(f"{group} again"))
    monkeypatch.setattr(gate, "FEWEST", 1)
    monkeypatch.setattr(gate, "FEWEST_GROUPS", 1)
    _, told = run(tmp_path, farm, "--only-measure")
    assert not named(tmp_path, "calibrate") & first
    assert not named(tmp_path, "held-out") & first
    assert first <= named(tmp_path, "train")
    assert any("learnt from again" in words for words in told)


def test_finished_photos_stay_where_the_share_is_learnt_from(tmp_path, farm, monkeypatch):
    finished = tmp_path / "finished.jsonl"
    finished.write_text(json.dumps({"file": "a.jpg", "usable": True}) + "\n")
    given = []
    calibrating = relabel.new_calibration

    def note(model, truths, old, out):
        given.extend(truths)
        return calibrating(model, truths, old, out)

    monkeypatch.setattr(relabel, "new_calibration", note)
    shared = sum(p.share == "calibrate" for p in corrected_plants(farm)[0])
    _, told = run(tmp_path, farm, "--finished", finished, "--only-measure")
    assert given == [finished]
    assert any(f"there are {shared + 1} usable photos" in words for words in told)
    assert any("kept: 1 usable photos to calibrate on" in words for words in told)


def test_too_few_stops_are_said_before_the_training(tmp_path, farm, monkeypatch):
    monkeypatch.setattr(relabel, "train_on", lambda *_: pytest.fail("trained"))
    monkeypatch.setattr(gate, "FEWEST_GROUPS", 19)
    with pytest.raises(SystemExit, match="at 19 stops or more"):
        run(tmp_path, farm)


def test_typed_counts_are_measured_on_and_not_learnt_from(tmp_path, farm, monkeypatch):
    plants, told = corrected_plants(farm)
    typed = [replace(p, handles=()) if k % 2 else p for k, p in enumerate(plants)]
    monkeypatch.setattr(relabel, "corrected_plants", lambda survey: (typed, list(told)))
    measured = [p for p in typed if p.share == "held-out"]
    _, told = run(tmp_path, farm, "--only-measure")
    learnt = [p for p in typed if p.share != "held-out"]
    assert named(tmp_path, "train") == {p.sha256 for p in learnt if p.marked}
    assert named(tmp_path, "held-out") == {p.sha256 for p in measured}
    assert any(not p.marked for p in measured)
    left_out = sum(not p.marked for p in learnt)
    assert any(f"{left_out} typed counts are not learnt from" in words for words in told)
    assert write_training([replace(plants[0], handles=())], tmp_path / "none") == 0


def test_another_photo_under_an_old_name_teaches_nothing(tmp_path, farm):
    plants, told = corrected_plants(farm)
    plants[0].path.write_bytes(plants[1].path.read_bytes())
    fewer, told = corrected_plants(farm)
    assert [p.sha256 for p in fewer] == [p.sha256 for p in plants[1:]]
    assert told == [
        "1 counted plants are left out: where their photos were, another file lies now."
    ]


def test_plants_that_were_not_found_are_judged_by_the_tool(tmp_path, farm):
    plants, _ = corrected_plants(farm)
    nothing = {"photo_size": [240, 400], "layout": None}
    lost = replace(plants[0], handles=(), record=nothing)
    assert len(write_photos([lost, plants[1]], tmp_path / "all")) == 2
    assert read_jsonl(tmp_path / "all" / "truth.jsonl")[0]["plant_box_px"] is None
    assert write_photos([lost, plants[1]], tmp_path / "placed", placed=True) == [plants[1]]


def test_photos_without_a_field_belong_to_their_day():
    photo = {"field": None, "stop": None, "sha256": "ab", "date": None, "taken_at": None}
    assert group_of(SimpleNamespace(**photo)) == "photo ab"
    two = [photo | {"sha256": sha, "taken_at": f"2027-05-20T08:0{sha}:00"} for sha in "12"]
    assert len({group_of(SimpleNamespace(**row)) for row in two}) == 1
    assert group_of(SimpleNamespace(**photo | {"date": "2027-05-20"})) == "day 2027-05-20"


def test_a_held_out_photo_that_cannot_be_read_is_left_out(tmp_path, farm, monkeypatch, capsys):
    plants, _ = corrected_plants(farm)
    kept = write_photos(plants[:3], tmp_path / "held-out")
    truth = tmp_path / "held-out" / "truth.jsonl"
    (truth.parent / read_jsonl(truth)[1]["file"]).write_bytes(b"half a photo")
    answers = np.zeros(len(GLOBAL_CHANNELS), np.float32)
    network = SimpleNamespace(run=lambda crop: (None, answers))
    monkeypatch.setattr(sidebyside, "load_network", lambda path: network)
    said = sidebyside.said_by_network(truth, tmp_path / "net.onnx", 96)
    assert [file[:16] for file in said] == [kept[k].sha256[:16] for k in (0, 2)]
    assert "left out" in capsys.readouterr().err


def test_a_stop_that_was_learnt_from_is_not_calibrated_on(tmp_path, farm, monkeypatch):
    """Plants beside those that were learnt from, counted since: alike, and no test of anything."""
    plants, told = corrected_plants(farm)
    to_calibrate = [p for p in plants if p.share == "calibrate"]
    since = to_calibrate[0]
    before = [p for p in plants if p is not since]
    assert since.group in {p.group for p in before}
    monkeypatch.setattr(relabel, "corrected_plants", lambda survey: (before, list(told)))
    run(tmp_path, farm)

    monkeypatch.setattr(relabel, "corrected_plants", lambda survey: (plants, list(told)))
    monkeypatch.setattr(relabel, "TO_CALIBRATE", 0)
    monkeypatch.setattr(relabel, "new_calibration", lambda *_: "Calibrated.")
    _, told = run(tmp_path, farm, "--only-measure")
    assert named(tmp_path, "calibrate") == set()
    assert since.sha256 in named(tmp_path, "train")
    assert any(words.startswith("1 more plants are learnt from") for words in told)


def test_marks_that_place_no_plant_are_said_to_be_left_out(tmp_path, farm, monkeypatch):
    plants, told = corrected_plants(farm)
    at = next(k for k, p in enumerate(plants) if p.share == "train")
    collars = tuple(h for h in plants[at].handles if h.part == "collar")
    plants[at] = replace(plants[at], handles=collars)
    monkeypatch.setattr(relabel, "corrected_plants", lambda survey: (plants, list(told)))
    _, told = run(tmp_path, farm, "--only-measure")
    assert plants[at].sha256 not in named(tmp_path, "train")
    assert any(words.startswith("1 marked plants are not learnt from") for words in told)


def test_a_cut_promotion_is_put_right_before_anything_is_measured(tmp_path, farm, monkeypatch):
    """What is in place then is of two networks: nothing to train on from or judge against."""
    models, weights = tmp_path / "models", tmp_path / "weights.pt"
    old = {name: f"old {name}" for name in (inplace.MODEL_FILE, inplace.KNOWN_FILE)}
    for name, words in old.items():
        (models / name).write_text(words)
    first = weights.read_bytes()
    with monkeypatch.context() as patch:

        def end(_source, places):
            (models / inplace.MODEL_FILE).write_text("new")
            weights.write_bytes(b"new")
            raise KeyboardInterrupt

        patch.setattr(inplace, "_put", end)
        with pytest.raises(KeyboardInterrupt):
            run(tmp_path, farm)

    def compare(options, *_):
        assert {name: (options.models / name).read_text() for name in old} == old
        assert options.init.read_bytes() == first
        return at_stops(6), {}

    monkeypatch.setattr(relabel, "compare", compare)
    run(tmp_path, farm, "--only-measure")
