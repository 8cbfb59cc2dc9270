"""The scorer against an outside one on the same input; the table, the page and the export."""

from __future__ import annotations

import importlib.util
import json
import math
from pathlib import Path

import numpy as np
import pytest

from training import scoring
from training.evaluate import all_figures, main, read_all, table
from training.page import misses

OUTSIDE = Path(__file__).parents[3] / "shared" / "tools" / "score.py"


def _rows(seed: int, count: int = 60):
    """Random truth and readings that visit every branch: gaps, occlusion, refusals, no card."""
    rng = np.random.default_rng(seed)
    truths, readings = [], []
    for k in range(count):
        usable = rng.random() > 0.2
        stage = int(rng.integers(0, 9))
        collars = [
            {
                "rank": r + 1,
                "x": 300 + rng.normal(0, 5),
                "y": 900 - 60 * r,
                "occluded": bool(rng.random() < 0.2),
            }
            for r in range(stage)
        ]
        tips = [
            {
                "rank": r + 1,
                "x": rng.uniform(50, 550),
                "y": rng.uniform(200, 800),
                "occluded": bool(rng.random() < 0.2),
            }
            for r in range(stage + 2)
        ]
        arch = [400.0, rng.uniform(250, 500)] if rng.random() < 0.8 else None
        truths.append(
            {
                "file": f"img_{k:03d}.jpg",
                "usable": bool(usable),
                "stage_v": stage,
                "reason": "ok" if usable else "blurred",
                "base_xy": [300.0, 960.0],
                "arch_xy": arch,
                "collars_visible_in_image": collars,
                "tips": tips,
                "hard_case": str(rng.choice(["none", "just_cleared"])),
                "first_leaf": {"present": bool(rng.random() < 0.7)} if rng.random() < 0.9 else None,
                "height_arch_mm": rng.uniform(50, 400) if rng.random() < 0.8 else None,
                "arch_ambiguous": bool(rng.random() < 0.3),
                "arch_highest_mm": rng.uniform(50, 400),
                "card": {"present": bool(rng.random() < 0.8)},
                "layout": "standing",
            }
        )
        if rng.random() < 0.1:
            continue  # a photo without a record

        def near(points):
            kept = [p for p in points if rng.random() < 0.85]
            moved = [
                {
                    "rank": p["rank"],
                    "x": p["x"] + rng.normal(0, 9),
                    "y": p["y"] + rng.normal(0, 9),
                    "score": 0.9,
                }
                for p in kept
            ]
            if rng.random() < 0.3:
                moved.append({"rank": 9, "x": rng.uniform(0, 600), "y": rng.uniform(0, 900)})
            return moved

        height = rng.uniform(50, 400) if rng.random() < 0.8 else None
        readings.append(
            {
                "photo": f"some/where/img_{k:03d}.jpg",
                "outcome": str(rng.choice(["staged", "hand-count", "rejected"], p=[0.6, 0.3, 0.1])),
                "stage": int(stage + rng.integers(-2, 3)) if rng.random() < 0.9 else None,
                "confidence": float(rng.random()) if rng.random() < 0.9 else None,
                "collars": near(collars),
                "tips": near(tips),
                "first_leaf": {"present": bool(rng.random() < 0.7)} if rng.random() < 0.9 else None,
                "height_mm": height,
                "height_interval_mm": [height * 0.8, height * 1.2]
                if height and rng.random() < 0.8
                else None,
            }
        )
    return truths, readings


@pytest.mark.skipif(not OUTSIDE.is_file(), reason="the outside scorer is not beside this checkout")
@pytest.mark.parametrize("seed", range(8))
def test_our_figures_are_the_outside_scorer_s(seed):
    spec = importlib.util.spec_from_file_location("outside_score", OUTSIDE)
    outside = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(outside)
    truths, readings = _rows(seed)
    theirs = outside.score(truths, readings)
    ours = scoring.summary(scoring.compare_all(truths, readings))
    assert set(theirs) <= set(ours)
    for name, value in theirs.items():
        assert ours[name] == pytest.approx(value, nan_ok=True), name


def test_matching_takes_the_nearest_first_and_excuses_the_hidden():
    counts = scoring.F1Counts()
    counts.add(
        seen=[(0, 0), (10, 0)], hidden=[(50, 50)], found=[(9, 0), (51, 50), (90, 90)], reach=10.0
    )
    # (9, 0) is nearer to (10, 0); (0, 0) is missed; (51, 50) is excused; (90, 90) is false.
    assert (counts.matched, counts.true, counts.found) == (1, 2, 2)
    assert counts.scores() == (0.5, 0.5, 0.5)


def test_calibration_error_by_hand():
    """Two bins: 0.95 sure and half right (gap 0.45), 0.15 sure and none right (gap 0.15)."""
    pairs = [(0.95, True), (0.95, False), (0.15, False), (0.15, False)]
    assert scoring.calibration_error(pairs) == pytest.approx(0.5 * 0.45 + 0.5 * 0.15)
    assert math.isnan(scoring.calibration_error([]))


def test_risk_coverage_counts_from_the_surest():
    curve = scoring.risk_coverage([(0.2, False), (0.9, True), (0.5, True)])
    assert curve == [
        (pytest.approx(1 / 3), 0.0),
        (pytest.approx(2 / 3), 0.0),
        (1.0, pytest.approx(1 / 3)),
    ]


def test_table_and_figures_hold_every_breakdown():
    cases = scoring.compare_all(*_rows(3))
    text = table(cases)
    for word in ("stage_exact", "just_cleared", "V4", "standing", "blurred", "refused"):
        assert word in text
    assert set(all_figures(cases)["by"]) == set(scoring.BREAKDOWNS)


def test_page_stands_alone_and_shows_the_worst_first(tmp_path):
    cv2 = pytest.importorskip("cv2", reason="the drawn photos need OpenCV")
    truths, readings = _rows(5, 12)
    for row in truths:
        cv2.imwrite(str(tmp_path / row["file"]), np.full((1000, 600, 3), 90, np.uint8))
    (tmp_path / "truth.jsonl").write_text("".join(json.dumps(t) + "\n" for t in truths))
    (tmp_path / "r.jsonl").write_text("".join(json.dumps(r) + "\n" for r in readings))
    page = tmp_path / "page.html"
    assert (
        main(
            [
                "--truth",
                str(tmp_path / "truth.jsonl"),
                "--readings",
                str(tmp_path / "r.jsonl"),
                "--out",
                str(page),
                "--json",
                str(tmp_path / "f.json"),
                "--failures",
                "5",
            ]
        )
        == 0
    )
    text = page.read_text()
    assert text.count("<figure>") == 5
    assert "http" not in text  # nothing from elsewhere
    curve = json.loads(text.split('id="risk-coverage">')[1].split("</script>")[0])
    assert curve[-1][0] == 1.0
    assert json.loads((tmp_path / "f.json").read_text())["all"]["photos_usable"] > 0


def test_missing_truth_is_one_sentence(tmp_path):
    with pytest.raises(SystemExit, match="No truth file"):
        main(["--truth", str(tmp_path / "none.jsonl")])


def test_photos_of_one_name_in_two_folders_are_refused(tmp_path):
    """Either's reading would be held against the other's truth."""
    words = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        truth = tmp_path / name / "truth.jsonl"
        truth.write_text(json.dumps({"file": "IMG_1.jpg", "usable": True, "stage_v": 2}) + "\n")
        words.append(str(truth))
    with pytest.raises(SystemExit, match=r"one name, such as IMG_1\.jpg"):
        main(["--truth", *words])
    rows = [{"file": "a/IMG_1.jpg", "usable": True}, {"file": "b/IMG_1.jpg", "usable": True}]
    with pytest.raises(ValueError, match="one name"):
        scoring.compare_all(rows, [])


def test_reading_keeps_the_order_of_the_photos():
    got = read_all([Path("b.jpg"), Path("a.jpg")], reader=lambda job: {"photo": job[0]})
    assert [r["photo"] for r in got] == ["b.jpg", "a.jpg"]


@pytest.mark.torch
@pytest.mark.slow
def test_exported_file_answers_as_pytorch_does_at_any_size(tmp_path):
    torch = pytest.importorskip("torch", reason="export needs the train extra")
    onnx = pytest.importorskip("onnx", reason="export needs onnx")
    pytest.importorskip("onnxruntime", reason="the check needs ONNX Runtime")
    from training import checkpoint
    from training.export import check_images, export
    from training.network import Network
    from training.onnxfile import AGREEMENT, worst_disagreement

    torch.manual_seed(0)
    network = Network().train()
    for _ in range(2):
        network(torch.rand(2, 3, 64, 64))  # norms with statistics of their own
    for module in network.modules():  # and answers of trained size
        if isinstance(module, torch.nn.Conv2d) and module.bias is not None:
            module.weight.data *= 30
    checkpoint.save(
        tmp_path / "c.pt",
        checkpoint.Average(network),
        step=7,
        elapsed_s=1.0,
        settings={},
        scores={"collar_f1": 0.5},
    )
    facts = export(tmp_path / "c.pt", tmp_path / "m.onnx", version="test")
    model = onnx.load(str(tmp_path / "m.onnx"))
    written = {p.key: p.value for p in model.metadata_props}
    assert written == facts
    assert written["channels"].split(",")[5] == "collar_heat"
    assert len(written["globals"].split(",")) == 31
    assert not any(n.op_type == "BatchNormalization" for n in model.graph.node)
    assert all(
        d.dim_param for k, d in enumerate(model.graph.input[0].type.tensor_type.shape.dim) if k != 1
    )
    assert (tmp_path / "m.onnx").stat().st_size < 25e6
    other = Network().eval()
    checkpoint.load_weights(tmp_path / "c.pt", other)
    assert worst_disagreement(other, tmp_path / "m.onnx", check_images([])[:3]) < AGREEMENT
    stranger = Network().eval()
    assert worst_disagreement(stranger, tmp_path / "m.onnx", check_images([])[:1]) > AGREEMENT


def test_heights_by_the_other_rule_are_not_held_against_this_ones(tmp_path, capsys):
    """Truth says where a leaf at least half out is highest, and nothing of tips that point down."""
    truths, readings = _rows(2, 20)
    for row in readings:
        row["height_rule"] = "half-out" if row["height_mm"] else None
    truth, read, out = (tmp_path / name for name in ("truth.jsonl", "r.jsonl", "f.json"))
    truth.write_text("".join(json.dumps(t) + "\n" for t in truths))
    words = ["--truth", str(truth), "--readings", str(read), "--json", str(out)]
    told = {}
    for rule in ("half-out", "tip-down"):
        first = next(row for row in readings if row["height_mm"])
        first["height_rule"] = rule
        read.write_text("".join(json.dumps(r) + "\n" for r in readings))
        assert main(words) == 0
        told[rule] = capsys.readouterr().out
        figures = json.loads(out.read_text())["all"]
        heights = [value for name, value in figures.items() if name.startswith("height_")]
        assert len(heights) == 4
        assert all(math.isnan(value) == (rule == "tip-down") for value in heights)
        assert not math.isnan(figures["stage_exact"])
    assert "Heights are left out" in told["tip-down"]
    assert "left out" not in told["half-out"]


def test_a_hidden_collar_takes_no_find_from_a_seen_one():
    """The find lies nearer to the hidden collar, and is the seen one's all the same."""
    truth = {
        "usable": True,
        "file": "a.jpg",
        "base_xy": [0.0, 400.0],
        "arch_xy": [0.0, 0.0],  # within 10 px is found
        "collars_visible_in_image": [
            {"rank": 1, "x": 0.0, "y": 300.0, "occluded": False},
            {"rank": 2, "x": 0.0, "y": 306.0, "occluded": True},
        ],
    }

    def said(*ys: float) -> str:
        return misses(scoring.compare(truth, {"collars": [{"x": 0.0, "y": y} for y in ys]}))

    assert said(304.0) == ""
    assert said(304.0, 307.0) == ""
    assert said(300.0, 500.0) == "1 false"
    assert said(500.0) == "missed collar 1; 1 false"
