"""The network for photos from above: truth to targets, losses, peaks, export.

Checked against: ONNX Runtime for the exported graph; the padding that TensorFlow's "same" means,
by way of PyTorch's own result; hand-placed points.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch (train extra)")

import cv2  # noqa: E402
from hypothesis import given, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from training.above import augment, losses, samples, validate  # noqa: E402
from training.above import network as net  # noqa: E402
from training.above.contract import CHANNELS, MAP_STRIDE, OUTPUTS  # noqa: E402

pytestmark = pytest.mark.torch
CPU = torch.device("cpu")


def plant(x: float, y: float, tips: list[tuple[float, float, int]], **more: Any) -> dict[str, Any]:
    return {
        "x": x,
        "y": y,
        "stage": 3,
        "seen_px": 99,
        "whole": True,
        "inside": True,
        "tips_shown": len(tips),
        "tips": [[tx, ty, rank + 1, seen] for rank, (tx, ty, seen) in enumerate(tips)],
        **more,
    }


def toy(plants: list[dict[str, Any]], side: int = 96, mm: float = 3.0) -> samples.AboveSample:
    """Green strokes on brown, one from each plant to each seen tip."""
    image = np.full((side, side, 3), (120, 90, 60), np.uint8)
    mask = np.zeros((side, side), np.uint8)
    for one in plants:
        for x, y, _, _ in one["tips"]:
            ends = (round(one["x"]), round(one["y"])), (round(x), round(y))
            cv2.line(image, *ends, (70, 160, 50), 3)
            cv2.line(mask, *ends, 1, 3)
    row = {"file": "a.jpg", "mm_per_px": mm, "plants": plants}
    truth = samples.parse_truth(row)
    return samples.AboveSample(torch.from_numpy(image), torch.from_numpy(mask), truth)


TWO = [
    plant(30.0, 40.0, [(50.0, 44.0, 1), (12.0, 30.0, 1), (33.0, 43.0, 0)]),
    plant(66.0, 62.0, [(80.0, 80.0, 1), (60.0, 50.0, 1)]),
]


def perfect(sample: samples.AboveSample) -> dict[str, Any]:
    """The maps that a perfect network would give for a sample at the working scale."""
    side = sample.mask.shape[0]
    view = augment.View(np.array([[1.0, 0, 0], [0, 1, 0]]), side)
    points = augment.collect([sample], [view])
    shape = (side // MAP_STRIDE, side // MAP_STRIDE)
    heat, _ = losses.targets(points, 1, shape)
    maps = torch.zeros(CHANNELS, *shape)
    maps[OUTPUTS["canopy"]] = augment.shares(sample.mask[None, None].float())[0, :1]
    maps[OUTPUTS["plants"]], maps[OUTPUTS["tips"]] = heat[0, :1], heat[0, 1:]
    for row in points.plants:
        r, c = int(row[2] / MAP_STRIDE), int(row[1] / MAP_STRIDE)
        maps[OUTPUTS["tip_count"], r, c] = row[3]
        maps[OUTPUTS["double"], r, c] = row[5]
    for row in points.tips:
        r, c = int(row[2] / MAP_STRIDE), int(row[1] / MAP_STRIDE)
        centre = (torch.tensor([c, r]) + 0.5) * MAP_STRIDE
        maps[OUTPUTS["to_plant"], r, c] = row[4:6] - centre
    return {name: maps[channels] for name, channels in OUTPUTS.items()}


def test_plants_too_near_to_tell_apart_become_one() -> None:
    near = [plant(40.0, 40.0, [(50.0, 40.0, 1)]), plant(46.0, 40.0, [(60.0, 40.0, 1)] * 3)]
    truth = samples.parse_truth({"mm_per_px": 3.0, "plants": near})
    assert truth.plants[:, :2].tolist() == [[43.0, 40.0]]
    assert truth.plants[0, 2:5].tolist() == [2.0, 1.0, 1.0]
    assert truth.tips[:, 2].tolist() == [0.0] * 4
    apart = samples.parse_truth({"mm_per_px": 6.0, "plants": near})  # 36 mm now
    assert len(apart.plants) == 2


def test_of_three_in_a_row_the_nearest_two_become_one() -> None:
    # 27 mm and 9 mm apart: all within reach, and the first stays alone.
    row = [plant(x, 40.0, [(x + 8, 40.0, 1)]) for x in (40.0, 49.0, 52.0)]
    truth = samples.parse_truth({"mm_per_px": 3.0, "plants": row})
    assert truth.plants[:, 0].tolist() == [40.0, 50.5]
    assert truth.plants[:, 4].tolist() == [0.0, 1.0]
    assert truth.tips[:, 2].tolist() == [0.0, 1.0, 1.0]
    assert samples.parse_truth({"mm_per_px": 3.0, "plants": []}).plants.shape == (0, 6)


def test_samples_of_several_sizes_make_one_batch() -> None:
    rng = np.random.default_rng(2)
    some = [toy(TWO, side) for side in (96, 96, 128, 96)]
    views = [augment.draw_view(rng, *s.mask.shape, 64) for s in some]
    image, mask = augment.read_views(some, views, CPU)
    for k, (one, view) in enumerate(zip(some, views, strict=True)):
        alone, ids = augment.read_views([one], [view], CPU)
        assert torch.equal(image[k : k + 1], alone)
        assert torch.equal(mask[k : k + 1], ids)


def test_faint_plants_are_neither_right_nor_wrong() -> None:
    truth = samples.parse_truth({"mm_per_px": 3.0, "plants": [plant(9.0, 9.0, [], seen_px=2)]})
    assert len(truth.plants) == 0
    assert truth.faint.tolist() == [[9.0, 9.0]]
    points = augment.collect(
        [toy([plant(9.0, 9.0, [], seen_px=2)])], [augment.View(np.eye(2, 3), 96)]
    )
    _, weight = losses.targets(points, 1, (24, 24))
    assert weight[0, 0, 2, 2] == 0
    assert weight[0, 0, 12, 12] == 1


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_views_stay_inside_and_points_follow_pixels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    view = augment.draw_view(rng, 96, 128, 64)
    corners = np.array([[0, 0], [64, 0], [0, 64], [64, 64.0]])
    there = corners @ view.sample_from_view[:, :2].T + view.sample_from_view[:, 2]
    assert (there > -1e-6).all()
    assert (there <= np.array([128, 96]) + 1e-6).all()
    assert view.to_view(there) == pytest.approx(corners, abs=1e-6)
    # A white spot in the sample lies in the view where its point does.
    spot = np.zeros((96, 128, 3), np.uint8)
    cv2.circle(spot, (70, 50), 4, (255, 255, 255), -1)
    sample = samples.AboveSample(
        torch.from_numpy(spot),
        torch.zeros(96, 128, dtype=torch.uint8),
        samples.parse_truth({"mm_per_px": 3.0, "plants": []}),
    )
    image, _ = augment.read_views([sample], [view], CPU)
    bright = image[0, 0].numpy()
    at = view.to_view(np.array([[70.5, 50.5]]))[0]
    if (at > 10).all() and (at < 54).all():
        y, x = np.mgrid[0:64, 0:64] + 0.5
        middle = np.array([(x * bright).sum(), (y * bright).sum()]) / bright.sum()
        assert middle == pytest.approx(at, abs=0.6)


def test_peaks_stand_at_points_and_a_perfect_answer_scores_full() -> None:
    sample = toy(TWO)
    scores = validate.summary([validate._counts(sample, perfect(sample))])
    assert scores["plant_f1"] == 1.0
    assert scores["tip_f1"] == 1.0
    assert scores["tips_counted_rmse"] == 0.0
    # By links alone the hidden tip of the first plant is missed: 2 of 3, 2 of 2.
    assert scores["tips_linked_rmse"] == pytest.approx((1 / 2) ** 0.5)
    assert scores["canopy_iou"] == 1.0


def test_a_double_counts_twice_and_a_wrong_peak_once() -> None:
    pair = [plant(40.0, 40.0, [(60.0, 40.0, 1)]), plant(45.0, 42.0, [(30.0, 60.0, 1)])]
    sample = toy(pair)
    maps = perfect(sample)
    got = validate._counts(sample, maps)
    assert (got["right"], got["wrong"], got["missed"]) == (2, 0, 0)
    assert got["doubles_said"] == got["doubles_true"] == 1
    maps["plants"][0, 18, 18] = 0.9
    got = validate._counts(sample, maps)
    assert (got["right"], got["wrong"], got["missed"]) == (2, 1, 0)
    maps["plants"][:] = 0
    got = validate._counts(sample, maps)
    assert (got["right"], got["wrong"], got["missed"]) == (0, 0, 2)


def test_losses_are_lowest_at_the_truth() -> None:
    sample = toy(TWO)
    view = augment.View(np.eye(2, 3), 96)
    points = augment.collect([sample], [view])
    share = augment.shares(sample.mask[None, None].float())
    ideal = torch.cat([perfect(sample)[name] for name in OUTPUTS])[None]
    logits = ideal.clone()
    logits[:, net.PROBABILITIES] = torch.logit(ideal[:, net.PROBABILITIES].clamp(0.001, 0.999))
    logits[:, OUTPUTS["to_plant"]] /= net.LINK_SCALE_PX
    logits[:, OUTPUTS["tip_count"]] /= net.COUNT_SCALE
    right = losses.all_losses(logits, share, points)
    wrong = losses.all_losses(torch.zeros_like(logits), share, points)
    assert all(right[name] < wrong[name] for name in ("plants", "tips", "canopy", "link", "count"))


def test_a_double_is_given_as_a_probability() -> None:
    # One double in five: where the loss is lowest, the exported answer is one fifth.
    points = augment.Points(
        torch.tensor([[0, 8.0 + 16 * k, 8.0, 3, 1, float(k == 0), 1] for k in range(5)]),
        torch.zeros(0, 6),
        torch.zeros(0, 3),
    )
    maps = torch.zeros(1, 8, 24, 24)

    def loss(logit: float) -> float:
        maps[:, OUTPUTS["double"]] = logit
        return float(losses.all_losses(maps, torch.zeros(1, 2, 24, 24), points)["double"])

    class Constant(torch.nn.Module):
        def forward(self, photo: torch.Tensor) -> torch.Tensor:
            return maps

    maps[:, OUTPUTS["double"]] = min(np.linspace(-4, 4, 321), key=loss)
    exported = net.Exported(Constant())  # type: ignore[arg-type]
    told = dict(zip(OUTPUTS, exported(torch.zeros(1, 3, 96, 96)), strict=True))
    assert float(told["double"][0, 0, 0, 0]) == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("mm", [1.5, 3.0, 6.0])
def test_truth_moves_with_the_picture_to_the_working_scale(mm: float) -> None:
    sample = samples.at_working_scale(toy(TWO, side=120, mm=mm))
    height, width = sample.mask.shape
    assert height % 32 == width % 32 == 0
    assert sample.truth.plants[0, :2] == pytest.approx(np.array([30.0, 40.0]) * mm / 3.0)
    assert (sample.mask == 255).any() == (round(120 * mm / 3) % 32 > 0)


def test_augmented_batch_keeps_size_range_and_seed() -> None:
    rng = np.random.default_rng(1)
    drawn = [toy(TWO), toy(TWO[:1])] * 3
    views = [augment.draw_view(rng, 96, 96, 64) for _ in drawn]
    image, share = augment.augmented(drawn, views, CPU, 3)
    again, _ = augment.augmented(drawn, views, CPU, 3)
    assert image.shape == (6, 3, 64, 64)
    assert share.shape == (6, 2, 16, 16)
    assert image.min() >= 0
    assert image.max() <= 1
    assert torch.equal(image, again)


def test_exported_graph_pads_in_its_convolutions_and_agrees(tmp_path: Path) -> None:
    onnx = pytest.importorskip("onnx", reason="export needs onnx")
    pytest.importorskip("onnxruntime", reason="the check needs ONNX Runtime")
    from training import checkpoint
    from training.above.export import export
    from training.onnxfile import AGREEMENT

    torch.manual_seed(1)
    network = net.AboveNetwork()
    average = checkpoint.Average(network)
    path = tmp_path / "a.pt"
    checkpoint.save(path, average, step=1, elapsed_s=0.0, settings={}, scores={})
    facts = export(path, tmp_path / "above.onnx")  # checks itself to AGREEMENT
    assert AGREEMENT <= 1e-3
    model = onnx.load(str(tmp_path / "above.onnx"))
    assert not [node for node in model.graph.node if node.op_type == "Pad"]
    assert [output.name for output in model.graph.output] == list(OUTPUTS)
    assert facts["working_mm_per_px"] == "3.0"
    assert (tmp_path / "above.onnx").stat().st_size < 8e6
    with pytest.raises(SystemExit, match="No checkpoint"):
        export(tmp_path / "none.pt", tmp_path / "b.onnx")


def test_encoder_starts_from_the_side_views_weights() -> None:
    weights = Path(__file__).parents[2] / "training" / "weights" / "collarvision.pt"
    network = net.AboveNetwork()
    net.encoder_start(network, weights)
    theirs = torch.load(weights, map_location="cpu", weights_only=True)["weights"]
    ours = network.encoder.state_dict()["_blocks.10._project_conv.weight"]
    assert torch.equal(ours, theirs["encoder._blocks.10._project_conv.weight"].float())


def test_trainer_runs_saves_and_goes_on(tmp_path: Path) -> None:
    import json

    from training.above.train import arguments, train

    part = tmp_path / "s" / "part-00001"
    part.mkdir(parents=True)
    lines = []
    for index in range(4):
        sample = toy(TWO)
        name = f"00001_{index:06d}"
        cv2.imwrite(str(part / f"{name}.jpg"), sample.image.numpy()[..., ::-1])
        cv2.imwrite(str(part / f"{name}.png"), sample.mask.numpy())
        lines.append(json.dumps({**sample.truth.row, "file": f"{name}.jpg"}))
    (part / "truth.jsonl").write_text("\n".join(lines) + "\n")
    out = tmp_path / "above.pt"
    common = ["--samples", str(tmp_path / "s"), "--out", str(out), "--device", "cpu"]
    common += ["--batch", "2", "--side", "64", "--min-samples", "4", "--no-pretrained"]
    common += ["--log-seconds", "1e6"]  # one line a run, however slow the machine is
    common += ["--val", str(tmp_path / "s"), "--save-state", "--log", str(tmp_path / "log.jsonl")]
    scores = train(arguments([*common, "--max-steps", "2"]))
    assert scores["pictures"] == 4
    assert out.stat().st_size < 2.5e6
    again = train(arguments([*common, "--max-steps", "3", "--resume", str(out)]))
    assert again["pictures"] == 4
    assert torch.load(out, weights_only=True)["step"] == 3
    assert len((tmp_path / "log.jsonl").read_text().splitlines()) == 2
    assert validate.main(["--checkpoint", str(out), "--samples", str(tmp_path / "s")]) == 0
