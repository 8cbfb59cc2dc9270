"""How a network goes down its loss: optimiser, rates, clipping, and what holds still meanwhile."""

from __future__ import annotations

import argparse
import math

import torch
from torch import Tensor, nn

from training.network import Network

CLIP_NORM = 5.0
WARM_STEPS = 150
FINAL_RATE = 0.01  # of the base learning rate, at the end of the cosine


def make_optimiser(network: Network, options: argparse.Namespace) -> torch.optim.AdamW:
    """AdamW: the encoder learns slower, norms and biases do not decay."""
    groups = []
    for is_encoder, rate in ((True, options.encoder_rate), (False, options.rate)):
        chosen = [
            p for name, p in network.named_parameters() if name.startswith("encoder.") == is_encoder
        ]
        for flat, decay in ((False, options.weight_decay), (True, 0.0)):
            groups.append(
                {
                    "params": [p for p in chosen if (p.ndim < 2) == flat],
                    "lr": rate,
                    "base": rate,
                    "weight_decay": decay,
                }
            )
    return torch.optim.AdamW(groups, betas=(0.9, 0.98), fused=True)


def rate_factor(progress: float, step: int) -> float:
    """Learning rate against its base: a short linear warm-up, then a cosine over the clock."""
    warm = min(1.0, (step + 1) / WARM_STEPS)
    # A short run must not spend itself on warming up.
    warm = max(warm, min(1.0, progress / 0.05))
    cosine = 0.5 * (1 + math.cos(math.pi * min(progress, 1.0)))
    return warm * (FINAL_RATE + (1 - FINAL_RATE) * cosine)


def clip(parameters: list[nn.Parameter], optimiser: torch.optim.Optimizer) -> Tensor:
    """Clip gradients and make the optimiser skip a step with any that is not finite."""
    grads = [p.grad for p in parameters if p.grad is not None]
    norm = torch.linalg.vector_norm(torch.stack(torch._foreach_norm(grads)))
    torch._foreach_mul_(grads, (CLIP_NORM / (norm + 1e-6)).clamp(max=1.0))
    # The fused optimiser reads this as a loss scaler would set it; no wait for the GPU.
    optimiser.found_inf = (~torch.isfinite(norm)).float()  # type: ignore[attr-defined]
    return norm


def descend(
    total: Tensor, parameters: list[nn.Parameter], optimiser: torch.optim.Optimizer
) -> None:
    """Take one step down the gradient of a loss."""
    optimiser.zero_grad(set_to_none=True)
    total.backward()
    clip(parameters, optimiser)
    optimiser.step()


def freeze_norms(network: nn.Module) -> None:
    """Make batch norms use their running statistics while the rest goes on learning."""
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()


def tops_alone(network: Network) -> None:
    """Let nothing learn but what is told of leaf tops and torn tips: all else answers as before.

    Norms hold still too, so that a network that is trusted for its stages gains heights. Only where
    a tip is told as torn may a doubt about leaf 1, and so a stage, move.
    """
    network.requires_grad_(False).eval()
    network.top_head.requires_grad_(True).train()
