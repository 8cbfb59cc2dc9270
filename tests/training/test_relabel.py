"""Retraining on corrected plants: it must help when the corrections are right, and only then.

The scenario is small so that it runs on a CPU: drawn plants (`toy_samples`), the shipped weights
with a spoilt stage head as the weakened network, 96 px crops, and the network's own stage as what
is judged. All of it is real otherwise: handles in a survey, the split, training, the exported ONNX
file, the gate, the files put in place and back.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch isn't installed: pip install -e '.[train]'")

from surveys import reading  # noqa: E402
from toy_samples import draw_plant  # noqa: E402

from collarvision.handles import Handle  # noqa: E402
from collarvision.photo import load_photo  # noqa: E402
from collarvision.survey import (  # noqa: E402
    FileFacts,
    HandCount,
    ModelFacts,
    Place,
    SurveyWriter,
)
from training import gate, relabel  # noqa: E402
from training.checkpoint import load_weights  # noqa: E402
from training.corrected import corrected_plants, share_of, truth_row  # noqa: E402
from training.export import export  # noqa: E402
from training.network import Network  # noqa: E402
from training.samples import parse_truth  # noqa: E402
from training.targets import collect  # noqa: E402
from training.views import plain_read  # noqa: E402

MODEL = ModelFacts("a" * 64, "weak", "guesses")
PLANTS, STEPS, SIDE = 60, 44, 96
STAGES = (1, 3, 5)  # far enough apart to be told on so small a crop
MARGIN = 0.4
"""Gain in exact agreement that the scenario must reach."""


def handles_of(row) -> tuple[Handle, ...]:
    """What a person would mark on a drawn plant."""
    tips = [Handle("tip", t["x"], t["y"], t["rank"], rounded=t["rank"] == 1) for t in row["tips"]]
    collars = [Handle("collar", c["x"], c["y"], c["rank"]) for c in row["collars_visible_in_image"]]
    return (*collars, *tips, Handle("soil", *row["base_xy"]), Handle("arch", *row["arch_xy"]))


def make_survey(folder: Path, *, shuffled: bool = False) -> Path:
    """60 counted plants at 20 stops; shuffled: each plant has another one's count.

    The marks stay its own: the crop that the network is judged on is about them, and another
    plant's would tell by their size whose count they came with.
    """
    rng = np.random.default_rng(3)
    folder.mkdir()
    drawn = [draw_plant(rng, height=400, stage=STAGES[k % 3]) for k in range(PLANTS)]
    marks = [row for _, _, row in drawn]
    counts = [row["stage_v"] for row in marks]
    if shuffled:
        counts = [counts[k] for k in rng.permutation(PLANTS)]
    with SurveyWriter(folder / "season.survey", create=True) as store:
        for k, (image, _, _) in enumerate(drawn):
            path = folder / f"IMG_{k}.png"
            cv2.imwrite(str(path), image[..., ::-1])
            sha = load_photo(path).sha256
            stat = path.stat()
            store.add_reading(
                reading(path.name, 2, photo_size=(240, 400), layout="standing", sha256=sha),
                sha256=sha,
                model=MODEL,
                place=Place(f"Field {k % 4}", "2027-05-20", str(k // 4 % 5), "folder"),
                file=FileFacts(str(path), stat.st_size, stat.st_mtime_ns, stat.st_mtime_ns),
            )
            count = HandCount("A", "2027-05-21T08:00:00Z", stage=counts[k], way="marked")
            store.add_hand_count(sha, count, handles=handles_of(marks[k]))
    return folder / "season.survey"


@pytest.fixture(scope="module")
def weakened(tmp_path_factory):
    """The shipped weights with a stage head of noise, as a checkpoint and as a network's file."""
    folder = tmp_path_factory.mktemp("weak")
    kept = torch.load(relabel.WEIGHTS, weights_only=True)
    network = Network()
    load_weights(relabel.WEIGHTS, network)
    last = len(network.count_head) - 1
    spoilt = [f"count_head.{last}.weight", f"count_head.{last}.bias"]
    # One thread: on a busy machine two wait for each other longer than they work.
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    torch.manual_seed(0)
    for name in spoilt:
        value = kept["weights"][name]
        kept["weights"][name] = (0.05 * torch.randn(value.shape)).to(value.dtype)
    torch.save(kept, folder / "weak.pt")
    # The exported file is still compared with PyTorch, on small images.
    patch = pytest.MonkeyPatch()
    patch.setattr("training.export.CHECK_SHAPES", ((1, 96, 128), (2, 64, 64)))
    (folder / "models").mkdir()
    export(folder / "weak.pt", folder / "models" / "collarvision.onnx")
    (folder / "models" / "calibration.json").write_text("{}")
    yield folder
    patch.undo()
    torch.set_num_threads(threads)


def run(
    home: Path, survey: Path, weakened: Path, steps: int = STEPS
) -> tuple[gate.Decision, Path, Path]:
    models, weights = home / "models", home / "weak.pt"
    shutil.copytree(weakened / "models", models)
    shutil.copyfile(weakened / "weak.pt", weights)
    words = f"""--survey {survey} --out {home / "out"} --models {models} --init {weights}
        --device cpu --batch 12 --look-every 0 --read-px {SIDE} --rate 4e-3 --encoder-rate 3e-4
        --minutes 1 --max-steps {steps} --judge-by network"""
    return relabel.relabel(relabel.arguments(words.split())), models, weights


def test_right_corrections_pass_the_gate_and_can_be_rolled_back(tmp_path, weakened):
    survey = make_survey(tmp_path / "farm")
    decision, models, weights = run(tmp_path, survey, weakened)
    assert decision.passed, decision.reasons
    assert decision.new_exact - decision.old_exact >= MARGIN
    old = (weakened / "models" / "collarvision.onnx").read_bytes()
    assert (models / "collarvision.onnx").read_bytes() != old
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert any("old calibration is kept" in words for words in report["told"])
    assert relabel.main(["--out", str(tmp_path / "out"), "--roll-back"]) == 0
    assert (models / "collarvision.onnx").read_bytes() == old
    assert weights.read_bytes() == (weakened / "weak.pt").read_bytes()


def test_shuffled_corrections_are_refused(tmp_path, weakened):
    survey = make_survey(tmp_path / "farm", shuffled=True)
    decision, models, _ = run(tmp_path, survey, weakened, STEPS // 2)
    assert not decision.passed
    assert decision.reasons
    old = (weakened / "models" / "collarvision.onnx").read_bytes()
    assert (models / "collarvision.onnx").read_bytes() == old


def test_the_split_keeps_a_stop_together_and_stays(tmp_path):
    plants, told = corrected_plants(make_survey(tmp_path / "farm"))
    assert len(plants) == PLANTS
    assert told == []
    sides = {}
    for plant in plants:
        sides.setdefault(plant.group, set()).add(plant.share)
    assert len(sides) == 20
    assert all(len(shares) == 1 for shares in sides.values())
    # By the name alone: a plant more, or another survey, moves nobody.
    assert all(plant.share == share_of(plant.group) for plant in plants)
    shares = [share_of(f"Field {k}\n{k}") for k in range(2000)]
    assert abs(shares.count("held-out") / 2000 - 0.3) < 0.04


def test_what_people_do_not_say_is_not_learnt(tmp_path):
    plants, _ = corrected_plants(make_survey(tmp_path / "farm"))
    row = truth_row(plants[0], "a.jpg")
    assert row is not None
    view = plain_read(parse_truth(row), 240, 400)
    marked = collect([parse_truth(row)], [view])
    assert marked.w_classes.item() == 0
    assert marked.w_collars.item() == 1
    assert marked.w_count.item() == 1
    typed = collect([parse_truth(row | {"points_known": False, "layout": None})], [view])
    assert typed.w_collars.item() == typed.w_tips.item() == typed.w_laid.item() == 0
    assert typed.w_count.item() == 1


def plants(changes: list[tuple[int, int, int]]) -> list[gate.Measured]:
    return [
        gate.Measured(str(k), f"stop {k // 2}", "standing", counted, old, new)
        for k, (counted, old, new) in enumerate(changes)
    ]


def test_mcnemar_is_the_sign_test():
    # Exact: five losses and no gain come by luck in one of 2^5.
    assert gate.worse_by_luck(5, 0) == pytest.approx(1 / 32)
    assert gate.worse_by_luck(0, 5) == 1.0
    assert gate.worse_by_luck(8, 2) == pytest.approx(56 / 1024)


def test_the_gate_asks_for_a_sure_gain():
    better = plants([(k % 5, (k % 5) + 1, k % 5) if k % 3 else (k % 5,) * 3 for k in range(60)])
    assert gate.decide(better).passed
    assert gate.decide(better) == gate.decide(better)
    same = gate.decide(plants([(k % 5, k % 5, k % 5) for k in range(60)]))
    assert not same.passed
    few = gate.decide(better[:10])
    assert not few.passed
    assert "too few" in few.reasons[0]


def test_so_large_a_gain_by_luck_is_counted_out():
    # By hand: of 2^4 signs of 1, 1, 1 and 2 only (+, +, +, +) comes to 5; with a 0 group twice.
    assert gate.gain_by_luck([1, 1, 1, 2]) == 1 / 16
    assert gate.gain_by_luck([1, 1, 1, 2, 0]) == 1 / 16
    assert gate.gain_by_luck([2, -1]) == 0.5  # of 3, 1, -1 and -3 two are 1 or more


def at_stops(stops: int, each: int = 8) -> list[gate.Measured]:
    """Every plant is read better than before, by as many counted as stops allow."""
    return [
        gate.Measured(f"{s} {k}", f"stop {s}", "standing", k % 5, k % 5 + 1, k % 5)
        for s in range(stops)
        for k in range(each)
    ]


def test_few_stops_decide_nothing():
    """Of one stop the bootstrap's interval has no width, and one plant better passed."""
    rows = [(k % 5,) * 3 for k in range(14)] + [(3, 4, 3)]
    one = [gate.Measured(str(k), "North", "standing", *row) for k, row in enumerate(rows)]
    for measured, stops in ((one, 1), (at_stops(5), 5)):
        refused = gate.decide(measured)
        assert not refused.passed
        assert refused.groups == stops
        assert f"{stops} held-out stops" in refused.reasons[0]
    assert gate.decide(at_stops(6)).passed
    # Six stops of which one stayed as it was: 1 in 32 by luck.
    still = [m if m.group != "stop 0" else replace(m, old=m.counted) for m in at_stops(6)]
    doubtful = gate.decide(still)
    assert doubtful.luck == 1 / 32
    assert doubtful.reasons == ("At 6 stops such a gain may be luck (p = 0.031, not 0.025).",)


def test_the_gate_refuses_one_stage_made_worse():
    rows = [(3, 4, 3)] * 60 + [(6, 6, 5)] * 8
    decision = gate.decide(plants(rows))
    assert decision.gain[0] > 0
    assert [words for words in decision.reasons if words.startswith("V6 got worse")]
    assert not decision.passed


def test_the_gate_refuses_the_commonest_stage_for_all():
    rows = [(k % 3 + 2, 9, 3) for k in range(60)]
    decision = gate.decide(plants(rows))
    assert decision.gain[0] > 0
    assert not decision.passed
    assert "chance alone" in decision.reasons[0]


def test_nothing_to_roll_back_is_one_sentence(tmp_path):
    with pytest.raises(SystemExit, match="Nothing to put back"):
        relabel.main(["--out", str(tmp_path), "--roll-back"])
