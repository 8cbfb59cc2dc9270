"""Retraining judged by the whole tool: mixing, calibrating anew, noting, the promise, and back.

The photos are the rendered samples with their truth, read by the shipped network and by one whose
collars were silenced. What `training.train` would do is left out: the "retrained" network is the
shipped one. That training itself helps is shown in `test_relabel.py`.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch isn't installed: pip install -e '.[train]'")

from surveys import reading  # noqa: E402
from test_calibrate import made_case  # noqa: E402
from toy_samples import write_samples  # noqa: E402

from collarvision import calibration  # noqa: E402
from collarvision.calibration import Calibration, as_json, load_calibration  # noqa: E402
from collarvision.demo.counts import handles_of_truth  # noqa: E402
from collarvision.network import models_folder  # noqa: E402
from collarvision.photo import load_photo  # noqa: E402
from collarvision.survey import (  # noqa: E402
    FileFacts,
    HandCount,
    ModelFacts,
    Place,
    SurveyWriter,
)
from training import gate, known, relabel  # noqa: E402
from training.calibrate import FEWEST_HEIGHTS, fit_leaves  # noqa: E402
from training.cases import leaf_labels  # noqa: E402
from training.checkpoint import load_weights  # noqa: E402
from training.corrected import (  # noqa: E402
    Corrected,
    generated_rows,
    repeats_beside,
    share_of,
    write_training,
)
from training.export import export  # noqa: E402
from training.inplace import promote, roll_back  # noqa: E402
from training.network import MAP_CHANNELS, Network  # noqa: E402
from training.scoring import read_jsonl  # noqa: E402

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
HELD_OUT, TO_CALIBRATE = 6, 4
MODEL = ModelFacts("a" * 64, "silenced", "guesses")


# --------------------------------------------------------------------------- mixing


def test_generated_samples_are_mixed_in_evenly(tmp_path):
    made = tmp_path / "made"
    write_samples(made, 9, seed=1, part="part-1")
    write_samples(made, 3, seed=2, part="part-2")
    (made / "part-1" / "toy_1_000.png").unlink()  # its renderer was stopped half way
    rows = generated_rows(made, 100)
    assert len(rows) == 11
    assert all(Path(row["file"]).is_absolute() and Path(row["mask"]).is_file() for row in rows)
    few = generated_rows(made, 8)
    assert few == generated_rows(made, 8)
    assert len({row["file"] for row in few}) == 8
    assert any("part-2" in row["file"] for row in few)

    photo = made / "part-1" / "toy_1_001.jpg"
    width, height = 240, 320
    plants = [
        Corrected(
            f"{k:064x}",
            photo,
            f"stop {k}",
            "train",
            3,
            tuple(handles_of_truth(read_jsonl(made / "part-1" / "truth.jsonl")[1])),
            {"photo_size": (width, height), "layout": "standing"},
        )
        for k in range(2)
    ]
    repeats = repeats_beside(len(rows), len(plants))
    assert write_training(plants, tmp_path / "train", repeats=repeats, beside=rows) == 2
    lines = read_jsonl(tmp_path / "train" / "truth.jsonl")
    mine = ["points_known" in line for line in lines]
    assert len(lines) == 11 + 2 * repeats
    # A third of the draws is corrected, and they don't all stand at one end of the file.
    assert sum(mine) / len(lines) == pytest.approx(1 / 3, abs=0.05)
    assert any(mine[: len(mine) // 2])
    assert any(mine[len(mine) // 2 :])
    with pytest.raises(SystemExit, match="No generated sample"):
        generated_rows(tmp_path / "train" / "nothing", 5)
    assert generated_rows(None, 5) == []


# --------------------------------------------------------------------------- calibrating anew


def test_what_a_person_did_not_mark_teaches_the_leaves_nothing():
    rng = np.random.default_rng(0)
    cases = [made_case(rng, k) for k in range(60)]
    fitted = fit_leaves(cases, Calibration())
    typed = [
        replace(
            c, truth=c.truth | {"collars_visible_in_image": [], "tips": [], "points_known": False}
        )
        for c in cases
    ]
    assert fit_leaves([*cases, *typed], Calibration()) == fitted
    assert fit_leaves(typed, Calibration()) == Calibration()


def test_a_tip_that_nobody_numbered_is_a_leaf_in_the_whorl():
    case = made_case(np.random.default_rng(1), 0)
    tips = [tip | {"rank": None, "has_collar": None} for tip in case.truth["tips"]]
    marked = case.truth | {"tips": tips}
    for leaf, label in zip(case.plant.leaves, leaf_labels(case.plant, marked), strict=True):
        if leaf.collar is None:
            assert (label.real, label.out, label.rank) == (True, False, None)
        else:
            assert label.real
            assert label.out


def test_enough_photos_calibrate_anew_and_too_few_are_said_to_be(tmp_path, monkeypatch):
    monkeypatch.setattr(relabel, "TO_CALIBRATE", 100)  # so that this takes a second
    old = tmp_path / "old.json"
    before = replace(Calibration(), usable_floor=0.77, interval_factor=1.3, risk=0.05)
    old.write_text(as_json(before, {"model": "old network"}))
    truth = tmp_path / "truth.jsonl"
    rng = np.random.default_rng(2)
    cases = [made_case(rng, k) for k in range(150)]
    truth.write_text("".join(json.dumps({"usable": True}) + "\n" for _ in cases))

    def fit(some):
        monkeypatch.setattr(relabel, "read_cases", lambda path: some)
        out = tmp_path / "new.json"
        words = relabel.new_calibration(tmp_path / "net.onnx", [truth], old, out)
        calibration._read.cache_clear()  # one path, written several times
        return words, load_calibration(out)

    all_usable = [replace(c, truth=c.truth | {"usable": True}) for c in cases]
    words, fitted = fit(all_usable)
    assert "Calibrated anew on 150" in words
    assert fitted.model == "made"  # the network that read them
    assert fitted.risk == 0.05
    # No unusable photo and no height among them: these two stay.
    assert fitted.usable_floor == 0.77
    assert fitted.interval_factor == 1.3
    assert sum(bool(c.truth["height_arch_mm"]) for c in cases) < FEWEST_HEIGHTS
    words, mixed = fit(cases)
    assert mixed.usable_floor != 0.77
    words, kept = fit(all_usable[:40])
    assert "old calibration is kept" in words
    assert kept.model == "old network"  # by which run time says that it isn't this network's
    # A threshold that keeps no promise replaces none that does.
    fitting = relabel.calibrate

    def never_met(cases, risk):
        fitted, about = fitting(cases, risk)
        return fitted, about | {"threshold_met_risk": False}

    monkeypatch.setattr(relabel, "calibrate", never_met)
    words, kept = fit(all_usable)
    assert "old calibration is kept: on 150 photos no threshold keeps" in words
    assert kept.model == "old network"


def test_photos_of_one_stop_keep_the_old_calibration(tmp_path, monkeypatch):
    """No fold of them tells anything of another."""
    monkeypatch.setattr(relabel, "TO_CALIBRATE", 30)
    rng = np.random.default_rng(2)
    cases = [made_case(rng, k) for k in range(60)]
    for case in cases:
        case.truth["group"] = "North"
    truth, old, out = (tmp_path / name for name in ("truth.jsonl", "old.json", "new.json"))
    truth.write_text("".join(json.dumps({"usable": True}) + "\n" for _ in cases))
    old.write_text(as_json(Calibration(), {"model": "old network"}))
    monkeypatch.setattr(relabel, "read_cases", lambda path: cases)
    words = relabel.new_calibration(tmp_path / "net.onnx", [truth], old, out)
    assert "calibration is kept: All" in words
    assert "of one plant or stop" in words
    assert out.read_text() == old.read_text()


# --------------------------------------------------------------------------- noting


def record(k: int, **more):
    marks = [{"score": 0.5 + 0.4 * k / 99}]
    return {
        "outcome": "hand-count",
        "view": "side",
        "model": "net",
        "collars": marks,
        "tips": marks,
        **more,
    }


def test_what_is_known_of_a_network_is_noted_on_photos_that_it_read(tmp_path, monkeypatch):
    records = [record(k) for k in range(100)]
    records += [record(0, view="above", model=None), record(0, outcome="rejected", model=None)]
    monkeypatch.setattr(relabel, "read_all", lambda photos: records)
    out = tmp_path / "known.json"
    photos = [Path("a.jpg")] * 102
    assert "noted on 100" in relabel.note_known(tmp_path / "net.onnx", photos, out)
    said = json.loads(out.read_text())
    assert (said["model"], said["photos"]) == ("net", 100)
    assert said["low"]["collars"] == pytest.approx(0.54, abs=1e-3)  # a tenth lies below
    out.unlink()
    few = relabel.note_known(tmp_path / "net.onnx", photos[:10], out)
    assert "could not be noted on the 10" in few
    assert not out.exists()


# --------------------------------------------------------------------------- the promise


def measured(plants: int = 40) -> list[gate.Measured]:
    return [
        gate.Measured(str(k), f"stop {k // 2}", "standing", k % 5, (k + k % 3) % 5, k % 5)
        for k in range(plants)
    ]


def test_the_gate_refuses_a_network_that_breaks_its_promise():
    held = {"old": gate.Accepted(10, 0, 0.02), "new": gate.Accepted(30, 1, 0.02)}
    decision = gate.decide(measured(), held)
    assert decision.passed, decision.reasons
    assert "29 of 30" in gate.side_by_side(decision)
    broken = gate.decide(measured(), held | {"new": gate.Accepted(30, 5, 0.02)})
    assert not broken.passed
    assert broken.reasons == (
        "5 of 30 readings that the new network accepts are wrong; 2% is what it promises.",
    )


# --------------------------------------------------------------------------- in place, and back


def test_what_belongs_to_a_network_goes_and_comes_with_it(tmp_path):
    models, weights, out = tmp_path / "models", tmp_path / "w.pt", tmp_path / "out"
    candidate = out / "candidate"
    for folder in (models, candidate):
        folder.mkdir(parents=True)
    for name in ("collarvision.onnx", "calibration.json", "known.json"):
        (models / name).write_text(f"old {name}")
    weights.write_text("old weights")
    (candidate / "collarvision.onnx").write_text("new")
    (candidate / "calibration.json").write_text("new")
    (candidate / "checkpoint.pt").write_text("new")

    promote(out, models, weights)
    assert sorted(path.name for path in models.iterdir()) == [
        "calibration.json",
        "collarvision.onnx",
    ]  # what was noted of the old network says nothing of the new one
    assert weights.read_text() == "new"
    roll_back(out)
    assert (models / "known.json").read_text() == "old known.json"
    assert (models / "collarvision.onnx").read_text() == "old collarvision.onnx"
    assert weights.read_text() == "old weights"

    # And the other way: before there was nothing noted, now there is.
    (models / "known.json").unlink()
    (candidate / "known.json").write_text("new")
    promote(out, models, weights)
    assert (models / "known.json").read_text() == "new"
    roll_back(out)
    assert not (models / "known.json").exists()
    shutil.rmtree(out / "previous")
    with pytest.raises(SystemExit, match="Nothing to put back"):
        roll_back(out)


# --------------------------------------------------------------------------- the whole way


@pytest.fixture(scope="module")
def silenced(tmp_path_factory):
    """The shipped weights with no word of collars and stages, in a folder of models of its own."""
    folder = tmp_path_factory.mktemp("silenced")
    kept = torch.load(relabel.WEIGHTS, weights_only=True)
    network = Network()
    load_weights(relabel.WEIGHTS, network)
    heat, collared = (MAP_CHANNELS.index(name) for name in ("collar_heat", "tip_collared"))
    silenced = 0
    counting, mapping = f"count_head.{len(network.count_head) - 1}.", "map_head.1."
    for name, weights in kept["weights"].items():
        if name.startswith(counting):
            weights[:] = 0.0
        elif name.startswith(mapping):
            weights[[heat, collared]] = 0.0 if weights.ndim > 1 else -6.0
        silenced += name.startswith((counting, mapping))
    assert silenced == 4  # a weight and a bias each
    torch.save(kept, folder / "weak.pt")
    (folder / "models").mkdir()
    patch = pytest.MonkeyPatch()
    patch.setattr("training.export.CHECK_SHAPES", ((1, 96, 128),))
    export(folder / "weak.pt", folder / "models" / "collarvision.onnx")
    shutil.copyfile(models_folder() / "calibration.json", folder / "models" / "calibration.json")
    noted = json.dumps({"model": "silenced", "photos": 99, "low": {"collars": 0.5, "tips": 0.5}})
    (folder / "models" / "known.json").write_text(noted)
    yield folder
    patch.undo()


def make_survey(path: Path) -> Path:
    """Sample photos, counted and marked by their truth, at stops that the split parts as wanted."""
    stops = {share: [] for share in ("held-out", "calibrate", "train")}
    for k in range(300):
        stops[share_of(f"North\n{k}")].append(str(k))
    wanted = ["held-out"] * HELD_OUT + ["calibrate"] * TO_CALIBRATE + ["train"] * 99
    rows = [row for row in read_jsonl(SAMPLES / "truth.jsonl") if row["usable"]]
    # Stages mixed in every share.
    rows = [rows[k] for k in np.random.default_rng(0).permutation(len(rows))]
    with SurveyWriter(path, create=True) as store:
        for row, share in zip(rows, wanted, strict=False):
            photo = load_photo(SAMPLES / row["file"])
            height, width = photo.rgb.shape[:2]
            store.add_reading(
                reading(row["file"], 2, photo_size=(width, height), layout=row["layout"]),
                sha256=photo.sha256,
                model=MODEL,
                place=Place("North", "2027-05-20", stops[share].pop(), "folder"),
                file=FileFacts(str(SAMPLES / row["file"]), 1, 1, 1),
            )
            count = HandCount("Ann", "2027-05-21T08:00:00Z", stage=row["stage_v"], way="marked")
            store.add_hand_count(photo.sha256, count, handles=tuple(handles_of_truth(row)))
    return path


@pytest.mark.slow
def test_the_whole_tool_is_judged_calibrated_and_noted(tmp_path, silenced, monkeypatch, capsys):
    models, weights, out = tmp_path / "models", tmp_path / "weak.pt", tmp_path / "out"
    shutil.copytree(silenced / "models", models)
    shutil.copyfile(silenced / "weak.pt", weights)

    def train_on(options, corrected):
        there = options.out / "candidate" / "checkpoint.pt"
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(relabel.WEIGHTS, there)
        return there

    monkeypatch.setattr(relabel, "train_on", train_on)
    monkeypatch.setattr(relabel, "TO_CALIBRATE", TO_CALIBRATE)
    fitting = relabel.calibrate

    def met(cases, risk):  # so few photos meet no risk: what is shown is what becomes of a fit
        fitted, about = fitting(cases, risk)
        return fitted, about | {"threshold_met_risk": True}

    monkeypatch.setattr(relabel, "calibrate", met)
    monkeypatch.setattr(relabel, "FEWEST_TO_TRAIN", 1)
    monkeypatch.setattr(gate, "FEWEST", HELD_OUT)
    monkeypatch.setattr(known, "FEWEST", 5)
    survey = make_survey(tmp_path / "season.survey")
    words = f"--survey {survey} --out {out} --models {models} --init {weights} --judge-by tool"
    assert relabel.main(words.split()) == 0, capsys.readouterr().out
    report = json.loads((out / "report.json").read_text())
    assert report["judged_by"] == "tool"
    assert report["plants"] == HELD_OUT
    assert report["old_exact"] <= 0.2
    assert report["new_exact"] - report["old_exact"] >= 0.5
    assert report["accepted"]["old"]["plants"] == report["accepted"]["old"]["wrong"]
    new = json.loads((models / "known.json").read_text())["model"]
    assert new != "silenced"
    about = json.loads((models / "calibration.json").read_text())["about"]
    assert about["model"] == new  # calibrated and noted for the network that is in place now
    assert about["photos"] == TO_CALIBRATE
    assert relabel.main(["--out", str(out), "--roll-back"]) == 0
    for name in ("collarvision.onnx", "calibration.json", "known.json"):
        assert (models / name).read_bytes() == (silenced / "models" / name).read_bytes()
