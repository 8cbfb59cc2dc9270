"""Wider: start a network from a narrower one of the same kind, answering alike at first.

    python -m training.wider training/weights/collarvision.pt --coarse 192 --out wide.pt

The narrower one's weights take the first channels of every layer. What new channels say reaches
none of the old ones yet, so the wider network's answers are the narrower one's until it learns
(after Chen et al. 2016, Net2Net, arXiv 1511.05641, with new channels at random instead of copied).
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path

import torch
from torch import Tensor, nn

from training.checkpoint import compact, write_checkpoint
from training.network import build


def widened(narrow: Mapping[str, Tensor], network: nn.Module) -> dict[str, Tensor]:
    """Weights for `network`, from those of one with fewer channels.

    Parameters
    ----------
    narrow : mapping of str to Tensor
        State of a network with the same layers, none of them wider.
    network : Module
        Its own state gives new channels their start.

    Raises
    ------
    ValueError
        When a layer is missing or would have to shrink, or there is one that `network` lacks.
    """
    unknown = sorted(narrow.keys() - network.state_dict().keys())
    if unknown:
        raise ValueError(f"{unknown[0]} isn't in the wider network.")
    out: dict[str, Tensor] = {}
    for name, own in network.state_dict().items():
        if name.endswith("num_batches_tracked"):
            continue
        if name not in narrow:
            raise ValueError(f"{name} isn't in the narrower network.")
        old = narrow[name]
        fits = old.ndim == own.ndim and all(
            a <= b for a, b in zip(old.shape, own.shape, strict=True)
        )
        if not fits:
            raise ValueError(f"{name} has {tuple(old.shape)}, and {tuple(own.shape)} is no wider.")
        grown = own.clone().float()
        if own.ndim > 1:
            grown[: old.shape[0], old.shape[1] :] = 0.0  # old channels don't hear new ones
        grown[tuple(slice(0, n) for n in old.shape)] = old.float()
        out[name] = grown
    return out


def start_from(path: str, network: nn.Module) -> None:
    """Load a checkpoint into a network that is as wide, or wider.

    Raises
    ------
    ValueError
        As of `widened`.
    """
    weights = torch.load(path, map_location="cpu", weights_only=True)["weights"]
    network.load_state_dict(widened(weights, network), strict=False)


def main(words: Sequence[str] | None = None) -> int:
    """Write a checkpoint of the side view's network with a wider decoder; a seed repeats it.

    What learns from it and what it is averaged with must both begin at this one file: new channels
    start at random.
    """
    parser = argparse.ArgumentParser(
        prog="training.wider", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("narrow", type=Path, help="checkpoint of the narrower network")
    parser.add_argument("--coarse", type=int, default=192, help="channels of the coarse maps")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(words)
    torch.manual_seed(options.seed)
    network = build(pretrained=False, coarse=options.coarse)
    payload = torch.load(options.narrow, map_location="cpu", weights_only=True)
    try:
        weights = widened(payload["weights"], network)
    except ValueError as error:
        parser.error(str(error))
    write_checkpoint(options.out, payload | {"weights": compact(weights)})
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
