"""Checkpoints: small files with the averaged weights, and a larger one to go on from."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from training.network import COARSE, MAP_CHANNELS

FORMAT = 1
LEARNT = "learnt"
"""Setting that holds the hashes of people's photos; in `training.relabel`."""


class Average:
    """Exponential moving average of a network's weights and batch-norm statistics."""

    def __init__(self, network: nn.Module, decay: float = 0.998):
        self.decay = decay
        self.updates = 0
        self._live = self._floats(network)
        self._mean = [tensor.detach().clone() for tensor in self._live]
        self._names = [
            name for name, value in network.state_dict().items() if value.is_floating_point()
        ]

    @staticmethod
    def _floats(network: nn.Module) -> list[Tensor]:
        return [v for v in network.state_dict().values() if v.is_floating_point()]

    @torch.no_grad()
    def update(self) -> None:
        """Take the network's present weights in; early on they count for more."""
        self.updates += 1
        decay = min(self.decay, (1 + self.updates) / (10 + self.updates))
        torch._foreach_lerp_(self._mean, self._live, 1 - decay)

    def state(self) -> dict[str, Tensor]:
        """Give the averaged state dict."""
        return dict(zip(self._names, self._mean, strict=True))

    def load(self, state: Mapping[str, Tensor], updates: int) -> None:
        """Go on from an averaged state dict that so many updates were made on."""
        for name, mean in zip(self._names, self._mean, strict=True):
            mean.copy_(state[name])
        self.updates = updates

    def copy_to(self, network: nn.Module) -> nn.Module:
        """Put the average into another network of the same shape, and give it."""
        network.load_state_dict(self.state(), strict=False)
        return network


def compact(state: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """Halve the weights' precision; biases and norm statistics keep theirs (they are few)."""
    return {
        name: (value.half() if value.ndim >= 2 else value.float()).cpu().contiguous()
        for name, value in state.items()
        if value.is_floating_point()
    }


def write_checkpoint(path: Path, payload: Mapping[str, Any]) -> None:
    """Write a checkpoint beside its place, then put it there in one stroke."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    torch.save(payload, beside)
    os.replace(beside, path)


def save(
    path: Path,
    average: Average,
    *,
    step: int,
    elapsed_s: float,
    settings: Mapping[str, Any],
    scores: Mapping[str, Any],
) -> None:
    """Write the averaged weights (about 7 MB) in one stroke."""
    write_checkpoint(
        path,
        {
            "format": FORMAT,
            "weights": compact(average.state()),
            "step": step,
            "elapsed_s": elapsed_s,
            "settings": dict(settings),
            "scores": dict(scores),
        },
    )


def save_state(
    path: Path,
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    average: Average,
    *,
    step: int,
    elapsed_s: float,
) -> None:
    """Write everything needed to go on as if nothing had happened, what dropout draws included."""
    write_checkpoint(
        path,
        {
            "format": FORMAT,
            "network": network.state_dict(),
            "optimiser": optimiser.state_dict(),
            "average": average.state(),
            "updates": average.updates,
            "random": torch.get_rng_state(),
            "cuda_random": torch.cuda.get_rng_state_all() if torch.cuda.is_available() else [],
            "step": step,
            "elapsed_s": elapsed_s,
        },
    )


MAP_ROWS = ("map_head.1.weight", "map_head.1.bias")
"""What grows by a row with each further map channel."""

GREW = "top_head."
"""Beginning of the names that older checkpoints lack: a network starts them so that they add 0."""

BEGINS_AT = {"tip_whole": 4.0}
"""Bias of further channels where it isn't zero: who knows of no torn tips takes all as whole."""


def load_weights(path: str | Path, network: nn.Module) -> dict[str, Any]:
    """Load a checkpoint's weights into a network; give the checkpoint's other contents.

    A checkpoint of fewer maps is the beginning of one of more: what it lacks begins at zero
    (`BEGINS_AT` aside), which at run time tells nothing.

    Raises
    ------
    RuntimeError
        When a weight is missing or of another shape.
    """
    payload = torch.load(path, map_location="cpu", weights_only=True)
    weights = {name: value.float() for name, value in payload.pop("weights").items()}
    own = network.state_dict()
    for name in MAP_ROWS:
        if name in own and name in weights and len(weights[name]) < len(own[name]):
            lacking = torch.zeros_like(own[name][len(weights[name]) :], device="cpu")
            if name.endswith("bias"):
                for row, channel in enumerate(MAP_CHANNELS[len(weights[name]) :]):
                    lacking[row] = BEGINS_AT.get(channel, 0.0)
            weights[name] = torch.cat([weights[name], lacking])
    missing, unexpected = network.load_state_dict(weights, strict=False)
    missing = [name for name in missing if not name.endswith("num_batches_tracked")]
    if not any(name.startswith(GREW) for name in weights):
        missing = [name for name in missing if not name.startswith(GREW)]
    if missing or unexpected:
        raise RuntimeError(f"{path} does not fit this network: {missing + unexpected}")
    return payload


def coarse_of(path: str | Path) -> int:
    """Channels of the coarse maps of the network that a checkpoint is of; `COARSE` if it has none.

    Raises
    ------
    OSError
        When there is no such file.
    """
    weights = torch.load(path, map_location="cpu", weights_only=True)["weights"]
    mixed = weights.get("lateral_8.mix.weight")
    return COARSE if mixed is None else len(mixed)


def learnt_by(path: Path) -> set[str]:
    """SHA-256 of the people's photos that a checkpoint's weights have learnt from."""
    if not path.is_file():
        return set()
    settings = torch.load(path, map_location="cpu", weights_only=True).get("settings", {})
    return set(settings.get(LEARNT, ()))


def learnt_setting(sources: Iterable[str | Path | None]) -> dict[str, list[str]]:
    """Setting of weights that come from these checkpoints, or were taught by them.

    They have learnt from every photo that any of those learnt from; None stands for no checkpoint.
    """
    return {LEARNT: sorted(set().union(*(learnt_by(Path(one)) for one in sources if one)))}


def note_learnt(path: Path, hashes: Iterable[str]) -> None:
    """Note in a checkpoint which people's photos, beside those noted, its weights learnt from."""
    payload = torch.load(path, map_location="cpu", weights_only=True)
    settings = payload.get("settings", {})
    payload["settings"] = settings | {LEARNT: sorted({*settings.get(LEARNT, ()), *hashes})}
    write_checkpoint(path, payload)


def state_beside(path: str | Path) -> Path:
    """Give the place of the state that belongs to a checkpoint."""
    return Path(f"{path}.state")


def load_state(
    checkpoint: str | Path | None,
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    average: Average,
    device: torch.device,
) -> tuple[int, float] | None:
    """Go on from the state beside a checkpoint; give its step and seconds, None without one."""
    if checkpoint is None or not state_beside(checkpoint).is_file():
        return None
    state = torch.load(state_beside(checkpoint), map_location=device, weights_only=True)
    network.load_state_dict(state["network"])
    optimiser.load_state_dict(state["optimiser"])
    # States of before lack these: then every step was an update, and the draws begin anew.
    average.load(state["average"], int(state.get("updates", state["step"])))
    if "random" in state:
        torch.set_rng_state(state["random"].cpu())
    drawn = state.get("cuda_random", [])
    if drawn and len(drawn) == torch.cuda.device_count():
        torch.cuda.set_rng_state_all([one.cpu() for one in drawn])
    return int(state["step"]), float(state["elapsed_s"])
