"""Averaged weights: the mean of several networks is one that loads and answers like them."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install -e .[train]")

from training import checkpoint  # noqa: E402
from training.average_weights import average_files, averaged, main  # noqa: E402
from training.network import Network  # noqa: E402


@pytest.fixture
def two(tmp_path):
    paths = []
    for seed in (1, 2):
        torch.manual_seed(seed)
        network = Network()
        path = tmp_path / f"{seed}.pt"
        average = checkpoint.Average(network)
        checkpoint.save(path, average, step=10 * seed, elapsed_s=1.0, settings={}, scores={})
        paths.append(path)
    return paths


def test_every_value_is_the_mean_and_the_file_loads_into_a_network(two, tmp_path):
    made = average_files(two, tmp_path / "both.pt")
    parts = [torch.load(path, weights_only=True)["weights"] for path in two]
    for name, value in made["weights"].items():
        wanted = (parts[0][name].double() + parts[1][name].double()) / 2
        assert torch.allclose(value.double(), wanted, rtol=2e-3, atol=1e-4), name
    network = Network()
    facts = checkpoint.load_weights(str(tmp_path / "both.pt"), network)
    assert facts["step"] == 30


def test_one_network_averaged_with_itself_stays_as_it_is(two):
    weights = torch.load(two[0], weights_only=True)["weights"]
    for name, value in averaged([weights, weights]).items():
        assert torch.equal(value, weights[name])


def test_other_networks_and_other_files_are_refused(two, tmp_path, capsys):
    with pytest.raises(ValueError, match="different networks"):
        averaged([{"a": torch.ones(2)}, {"a": torch.ones(3)}])
    torch.save({"a": 1}, tmp_path / "other.pt")
    out = tmp_path / "out.pt"
    assert main([str(two[0]), str(tmp_path / "other.pt"), "--out", str(out)]) == 1
    assert "no checkpoint" in capsys.readouterr().err
    assert not out.exists()
    assert main([*map(str, two), "--out", str(out)]) == 0
    with pytest.raises(SystemExit):
        main([str(two[0]), "--out", str(out)])


def test_whose_photos_any_of_them_learnt_from_stays_noted(two, tmp_path):
    checkpoint.note_learnt(two[0], ["a", "b"])
    checkpoint.note_learnt(two[1], ["c", "b"])
    average_files(two, tmp_path / "both.pt")
    assert checkpoint.learnt_by(tmp_path / "both.pt") == {"a", "b", "c"}
    checkpoint.note_learnt(two[0], ["d"])  # nothing that weights learnt is unlearnt
    assert checkpoint.learnt_by(two[0]) == {"a", "b", "d"}
