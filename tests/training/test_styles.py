"""Styles: looks change hands between photos of a batch, what they show doesn't."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs PyTorch")

from training.encoder import Encoder  # noqa: E402
from training.styles import MIXED_AFTER, lend, mix_styles  # noqa: E402


def features(count: int = 8) -> torch.Tensor:
    draws = torch.Generator().manual_seed(3)
    spread = torch.rand((count, 5, 1, 1), generator=draws) + 0.5
    return torch.randn((count, 5, 12, 9), generator=draws) * spread + 4 * spread


def test_nobody_chosen_nothing_changes_to_the_last_bit() -> None:
    given = features()
    assert torch.equal(lend(given, 0.0, np.random.default_rng(1)), given)


def test_means_and_spreads_lie_between_two_photos_and_what_is_shown_stays() -> None:
    given = features()
    got = lend(given, 1.0, np.random.default_rng(1))
    own_spread, own_mean = torch.std_mean(given, dim=(2, 3), keepdim=True)
    spread, mean = torch.std_mean(got, dim=(2, 3), keepdim=True)
    assert (mean - own_mean).abs().amax() > 0.5  # looks did change hands
    assert mean.amin() >= own_mean.amin() - 1e-4
    assert mean.amax() <= own_mean.amax() + 1e-4
    assert torch.allclose((got - mean) / spread, (given - own_mean) / own_spread, atol=1e-3)
    # One photo lends all its channels: mean and spread move by one share between the two.
    other = np.random.default_rng(1).permutation(len(given))
    moved = ((mean - own_mean) / (own_mean[other] - own_mean)).squeeze()
    for i, row in enumerate(moved):
        if other[i] != i:
            assert torch.allclose(row, row[:1].expand(5), atol=1e-3)


def test_half_of_the_photos_are_chosen_on_average() -> None:
    rng = np.random.default_rng(2)
    given = features(200)
    same = (lend(given, 0.5, rng) == given).flatten(1).all(1)
    assert 70 <= int(same.sum()) <= 130


def test_an_encoder_mixes_in_training_alone_and_until_told_otherwise() -> None:
    torch.manual_seed(0)
    encoder = Encoder()
    for block in encoder.modules():
        if isinstance(block, torch.nn.BatchNorm2d):
            block.eval()  # so that only mixing parts one pass from the next
    image = torch.rand((6, 3, 64, 64))
    plain = encoder(image)
    hooks = mix_styles(encoder._blocks, 1.0)
    assert len(hooks) == len(MIXED_AFTER)
    mixed = encoder(image)
    assert not torch.allclose(mixed[0], plain[0])
    assert not torch.equal(mixed[4], plain[4])
    mixed[4].sum().backward()
    assert all(p.grad is not None for p in encoder._conv_stem.parameters())
    encoder.eval()
    assert torch.equal(encoder(image)[4], plain[4])
    encoder.train()
    for block in encoder.modules():
        if isinstance(block, torch.nn.BatchNorm2d):
            block.eval()
    for hook in hooks:
        hook.remove()
    assert torch.equal(encoder(image)[4], plain[4])


def test_what_is_mixed_goes_on_with_a_state_as_if_nothing_had_happened() -> None:
    """Its draws are among those that a checkpoint's state keeps."""
    blocks = torch.nn.ModuleList(torch.nn.Identity() for _ in range(max(MIXED_AFTER) + 1))
    given = features()
    mix_styles(blocks, 1.0)

    def next_ones() -> list[torch.Tensor]:
        return [blocks[MIXED_AFTER[0]](given) for _ in range(3)]

    next_ones()
    kept = torch.get_rng_state()
    wanted = next_ones()
    assert not torch.equal(wanted[0], wanted[1])
    torch.manual_seed(9)  # whatever was drawn since
    torch.set_rng_state(kept)
    for got, one in zip(next_ones(), wanted, strict=True):
        assert torch.equal(got, one)
