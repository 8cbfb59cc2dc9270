"""Wider networks answer as the narrower ones that they start from."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="PyTorch isn't installed: pip install '.[train]'")

from training import checkpoint  # noqa: E402
from training.above.network import AboveNetwork  # noqa: E402
from training.network import Network, build  # noqa: E402
from training.teachers import Teachers  # noqa: E402
from training.wider import main, start_from, widened  # noqa: E402


def narrow_network() -> AboveNetwork:
    torch.manual_seed(3)
    network = AboveNetwork(24, 16)
    for name, value in network.named_buffers():
        if name.endswith("running_mean"):
            value.normal_(0, 0.1)
    return network.eval()


def test_a_wider_network_answers_alike_and_all_of_it_learns(tmp_path: Path) -> None:
    narrow = narrow_network()
    wide = AboveNetwork(40, 20)
    path = tmp_path / "narrow.pt"
    torch.save({"weights": narrow.state_dict()}, path)
    start_from(str(path), wide)
    photo = torch.rand(1, 3, 64, 96, generator=torch.Generator().manual_seed(1))
    with torch.no_grad():
        assert torch.allclose(wide.eval()(photo), narrow(photo), atol=1e-5)
    wide.train()
    wide(photo).square().sum().backward()
    heard = wide.merge_8
    new = [p.grad for p in heard.parameters() if p.ndim > 1 and p.shape[1] == 40]
    assert new, "no layer mixes the coarse channels"
    assert all(grad[:24, 24:].abs().sum() > 0 for grad in new)


def test_what_does_not_fit_is_refused_by_name() -> None:
    narrow = narrow_network()
    with pytest.raises(ValueError, match="is no wider"):
        widened(narrow.state_dict(), AboveNetwork(20, 16))
    some = {k: v for k, v in narrow.state_dict().items() if not k.startswith("narrow")}
    with pytest.raises(ValueError, match=r"narrow\.weight isn't in"):
        widened(some, AboveNetwork(40, 20))
    with pytest.raises(ValueError, match=r"^other isn't in the wider"):
        widened({**narrow.state_dict(), "other": torch.ones(1)}, AboveNetwork(40, 20))
    same = AboveNetwork(24, 16)
    same.load_state_dict(widened(narrow.state_dict(), same), strict=False)
    assert torch.equal(same.narrow.weight, narrow.narrow.weight)


def test_the_side_views_network_widened_answers_alike_wherever_it_is_loaded(tmp_path: Path) -> None:
    torch.manual_seed(5)
    narrow = Network(24).eval()
    path, wide_path = tmp_path / "narrow.pt", tmp_path / "wide.pt"
    average = checkpoint.Average(narrow, 0.9)
    checkpoint.save(path, average, step=3, elapsed_s=1.0, settings={}, scores={})
    assert main([str(path), "--coarse", "40", "--out", str(wide_path)]) == 0
    assert (checkpoint.coarse_of(path), checkpoint.coarse_of(wide_path)) == (24, 40)
    wide = build(pretrained=False, coarse=40)
    assert checkpoint.load_weights(wide_path, wide)["step"] == 3
    photo = torch.rand(1, 3, 64, 96, generator=torch.Generator().manual_seed(1))
    checkpoint.load_weights(path, narrow)  # rounded as stored
    both = Teachers.of([path, wide_path])
    with torch.no_grad():
        for own, stored in zip(wide.eval()(photo), narrow(photo), strict=True):
            assert torch.allclose(own, stored, atol=1e-4)
        for one, other in zip(both(photo), both(photo), strict=True):
            assert torch.allclose(one, other, atol=1e-4)


def test_a_network_is_not_made_narrower(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    average = checkpoint.Average(Network(24), 0.9)
    path = tmp_path / "narrow.pt"
    checkpoint.save(path, average, step=3, elapsed_s=1.0, settings={}, scores={})
    with pytest.raises(SystemExit):
        main([str(path), "--coarse", "16", "--out", str(tmp_path / "wide.pt")])
    assert "is no wider" in capsys.readouterr().err
    assert not (tmp_path / "wide.pt").exists()
