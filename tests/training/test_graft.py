"""Graft: a count head works on the mean of two networks as it did on its own."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install -e .[train]")

from training import checkpoint  # noqa: E402
from training import network as net  # noqa: E402
from training.average_weights import average_files  # noqa: E402
from training.graft import fitted_map, graft, main  # noqa: E402
from training.network import Network  # noqa: E402


def _network(seed: int) -> Network:
    torch.manual_seed(seed)
    network = Network().eval()
    with torch.no_grad():  # an untrained network sees no collar anywhere
        network.map_head[-1].bias[net.HEATS] = 0.0
    return network


def _near(network: Network, seed: int) -> Network:
    """Another network that came from this one."""
    torch.manual_seed(seed)
    other = Network().eval()
    state = network.state_dict()
    other.load_state_dict(
        {
            name: value + 0.05 * value.std() * torch.randn_like(value)
            if value.is_floating_point() and value.ndim > 1
            else value
            for name, value in state.items()
        }
    )
    return other


@pytest.fixture(scope="module")
def images():
    generator = torch.Generator().manual_seed(4)
    return [torch.rand(1, 3, 96, 96, generator=generator) for _ in range(8)]


def _counts(network: Network, images: list) -> torch.Tensor:
    with torch.no_grad():
        return torch.cat([network(image)[1][:, net.COLLARS] for image in images])


def test_a_network_s_own_head_comes_back_unchanged(images):
    network = _network(1)
    mapped, explained = fitted_map(network, network, images)
    assert explained > 0.999
    before = _counts(network, images)
    graft(network, network, mapped)
    assert torch.allclose(_counts(network, images), before, atol=1e-3)


def test_a_mapped_head_counts_nearer_to_its_donor_than_an_unmapped_one(images):
    donor = _network(2)
    mean = _near(donor, 3)
    wanted = _counts(donor, images)
    mapped, explained = fitted_map(mean, donor, images[:6])
    assert 0.2 < explained <= 1.0
    graft(mean, donor, torch.cat([torch.eye(net.FINE), torch.zeros(1, net.FINE)]))
    as_it_is = (_counts(mean, images[6:]) - wanted[6:]).abs().mean()
    graft(mean, donor, mapped)
    assert (_counts(mean, images[6:]) - wanted[6:]).abs().mean() < as_it_is


def test_the_command_writes_a_network_and_says_what_is_wrong(tmp_path, capsys):
    paths = []
    for seed in (1, 2):
        average = checkpoint.Average(_network(seed))
        paths.append(tmp_path / f"{seed}.pt")
        checkpoint.save(paths[-1], average, step=5, elapsed_s=1.0, settings={}, scores={})
    mean, out = tmp_path / "mean.pt", tmp_path / "out.pt"
    average_files(paths, mean)
    words = [str(mean), "--donor", str(paths[1]), "--samples", str(tmp_path), "--out", str(out)]
    assert main(words) == 1
    assert "no sample" in capsys.readouterr().err
    assert not out.exists()
    words[2] = str(tmp_path / "nothing.pt")
    assert main(words) == 1
    assert "nothing.pt" in capsys.readouterr().err


def test_whose_photos_either_network_learnt_from_stays_noted(tmp_path, images, monkeypatch):
    paths = [tmp_path / "mean.pt", tmp_path / "donor.pt"]
    for number, path in enumerate(paths, start=1):
        average = checkpoint.Average(_network(number))
        checkpoint.save(path, average, step=5, elapsed_s=1.0, settings={"seed": 3}, scores={})
        checkpoint.note_learnt(path, [path.name])
    monkeypatch.setattr("training.graft.read_crops", lambda folder, count: images)
    mean, donor, out = *map(str, paths), tmp_path / "out.pt"
    assert main([mean, "--donor", donor, "--samples", str(tmp_path), "--out", str(out)]) == 0
    assert checkpoint.learnt_by(out) == {"mean.pt", "donor.pt"}
    assert torch.load(out, weights_only=True)["settings"]["seed"] == 3
