"""Weights to train on: whose they are, against what models/ and its cards say."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
import onnx  # noqa: E402

from training import checkpoint  # noqa: E402
from training import network as side  # noqa: E402
from training.above import network as above  # noqa: E402
from training.export import weights_hash  # noqa: E402

pytestmark = pytest.mark.torch
ROOT = Path(__file__).resolve().parents[2]
WEIGHTS = ROOT / "training" / "weights"


def hash_of(name: str, network: torch.nn.Module) -> str:
    checkpoint.load_weights(WEIGHTS / name, network)
    return weights_hash(network.eval())


def test_the_network_in_use_can_be_trained_on() -> None:
    """An export names the weights that it was made of."""
    model = onnx.load(str(ROOT / "models" / "collarvision.onnx"), load_external_data=False)
    said = {entry.key: entry.value for entry in model.metadata_props}["version"]
    assert said.endswith(hash_of("collarvision.pt", side.build(pretrained=False)))


def test_the_card_says_which_network_from_above_can_be_trained_on() -> None:
    card = (ROOT / "models" / "ABOVE_CARD.md").read_text(encoding="utf-8")
    row = next(line for line in card.splitlines() if line.startswith("| to train on "))
    assert hash_of("above.pt", above.AboveNetwork()) in row
