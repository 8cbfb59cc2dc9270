"""The lighter network for photos from above: its answers against those of the float network.

Checked against: ONNX Runtime's own reading of the float file, on drawn fields of green strokes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch (train extra)")
onnx = pytest.importorskip("onnx", reason="lightening needs onnx")
onnxruntime = pytest.importorskip("onnxruntime", reason="lightening needs ONNX Runtime")

import cv2  # noqa: E402

from training.above import lighten as room  # noqa: E402
from training.above.contract import OUTPUTS  # noqa: E402
from training.above.export import export  # noqa: E402

pytestmark = pytest.mark.torch
WEIGHTS = Path(__file__).parents[2] / "training" / "weights" / "above.pt"
SIDE = 160


def draw_field(folder: Path, count: int) -> None:
    """Brown ground with small plants of a few blades, as samples of fields from above."""
    rng = np.random.default_rng(3)
    part = folder / "part-00001"
    part.mkdir(parents=True)
    for index in range(count):
        image = rng.normal((60, 90, 120), 9, (192, 192, 3)).clip(0, 255).astype(np.uint8)
        mask = np.zeros(image.shape[:2], np.uint8)
        for x, y in rng.uniform(20, 170, (9, 2)):
            turn = rng.uniform(0, 360)
            for blade, long in enumerate((26, 22, 15, 9)):
                angle = turn + 180 * blade + rng.uniform(-25, 25)
                way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
                middle = tuple(int(v) for v in (x, y) + way * long / 2)
                shape = (middle, (long // 2 + 1, 4), angle, 0, 360)
                cv2.ellipse(image, *shape, (60 + 12 * blade, 140 + 20 * blade, 90), -1)
                cv2.ellipse(mask, *shape, 1, -1)
        name = f"00001_{index:06d}"
        cv2.imwrite(str(part / f"{name}.jpg"), image)
        cv2.imwrite(str(part / f"{name}.png"), mask)
        with (part / "truth.jsonl").open("a") as lines:
            lines.write(json.dumps({"file": f"{name}.jpg", "mm_per_px": 3.0, "plants": []}) + "\n")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The float network, drawn fields, and the lighter network made of both."""
    folder = tmp_path_factory.mktemp("light")
    export(WEIGHTS, folder / "float.onnx", version="as trained")
    draw_field(folder / "fields", 4)
    room.lighten(options(folder, folder / "light.onnx"))
    return folder


def options(folder: Path, out: Path, **more: Any) -> Any:
    words = ["--model", str(folder / "float.onnx"), "--samples", str(folder / "fields")]
    words += ["--out", str(out), "--views", "10", "--side", str(SIDE), "--steps", "20"]
    chosen = room.arguments(words)
    for name, value in more.items():
        setattr(chosen, name, value)
    return chosen


def answers(path: Path, picture: np.ndarray) -> dict[str, np.ndarray]:
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    return dict(zip(OUTPUTS, session.run(list(OUTPUTS), {"photo": picture}), strict=True))


def picture(folder: Path) -> np.ndarray:
    """A field that nothing was fitted on as it is: views are turned and noisy."""
    rgb = cv2.imread(str(folder / "fields" / "part-00001" / "00001_000002.jpg"))[..., ::-1]
    return np.ascontiguousarray(rgb.transpose(2, 0, 1)[None], np.float32) / 255


def test_the_lighter_network_answers_like_the_float_one(made: Path) -> None:
    seen = picture(made)
    floats, light = answers(made / "float.onnx", seen), answers(made / "light.onnx", seen)
    assert floats["canopy"].max() > 0.4  # there is something to differ about:
    assert floats["other"].max() > 0.9  # it takes such drawings for corn or for weeds
    assert floats["tips"].max() > 0.3
    for name in ("canopy", "plants", "tips", "other", "double"):
        assert light[name].shape == floats[name].shape
        assert np.abs(light[name] - floats[name]).mean() < 0.02, name
    for name in ("canopy", "other", "tips"):
        assert np.corrcoef(light[name].ravel(), floats[name].ravel())[0, 1] > 0.9, name


def test_it_says_what_it_is_and_its_convolutions_are_whole_numbers(made: Path) -> None:
    model = onnx.load(str(made / "light.onnx"))
    facts = {one.key: one.value for one in model.metadata_props}
    assert facts["version"] == "as trained-8bit"
    assert facts["outputs"] == ",".join(OUTPUTS)
    kinds = [node.op_type for node in model.graph.node]
    assert kinds.count("QLinearConv") > 40
    assert kinds.count("Conv") == 2 + len(room.HEAD_CONVOLUTIONS)  # the stem, and the head
    light, floats = ((made / f"{name}.onnx").stat().st_size for name in ("light", "float"))
    assert light < 0.4 * floats


def test_a_spoilt_head_is_fitted_back(made: Path) -> None:
    model, source = (onnx.load(str(made / f"{name}.onnx")) for name in ("light", "float"))
    head = room.Head(model)
    with torch.no_grad():
        head.weights[-1] += 1.0  # every logit too high
    views = [picture(made), picture(made)[..., ::-1].copy()]
    features = room.answers(model, room.FEATURES, views)
    wanted = room.answers(source, room.LOGITS, views)
    before, after = room.fit_head(head, features, wanted, steps=400, rate=1e-2, seed=1)
    assert before > 0.02
    assert after < 0.6 * before
    head.put_back()
    assert np.allclose(room.Head(model).weights[-1].detach(), head.weights[-1].detach())


def test_one_that_answers_otherwise_is_refused_and_the_old_file_stays(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "above.onnx"
    out.write_bytes(b"the old one")
    monkeypatch.setattr(room, "WORST_HEAT", -1.0)
    with pytest.raises(SystemExit, match="heat is off by"):
        room.lighten(options(made, out, steps=1))
    assert out.read_bytes() == b"the old one"
    assert [path.name for path in tmp_path.iterdir()] == ["above.onnx"]


def test_without_network_or_fields_it_says_what_to_do(made: Path, tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"Write one with training\.above\.export"):
        room.lighten(options(made, tmp_path / "a.onnx", model=tmp_path / "none.onnx"))
    with pytest.raises(SystemExit, match=r"render some with training\.above\.scenes"):
        room.lighten(options(made, tmp_path / "a.onnx", samples=tmp_path))


def test_a_light_network_and_bare_ground_are_refused(made: Path, tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="is light already"):
        room.lighten(options(made, tmp_path / "a.onnx", model=made / "light.onnx"))
    bare = torch.full((1, 8, 4, 4), -9.0)
    assert np.isnan(room.heat_error([bare], [bare]))  # nothing to judge by is no praise
    assert room.heat_error([bare + 9.0], [bare]) == pytest.approx(0.5, abs=1e-3)


def test_where_no_plant_shows_nothing_is_written(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "fit_head", lambda *_, **__: (float("nan"), float("nan")))
    with pytest.raises(SystemExit, match="No plant shows"):
        room.lighten(options(made, tmp_path / "a.onnx"))
    assert not list(tmp_path.iterdir())
