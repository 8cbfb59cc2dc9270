"""Average the weights of checkpoints that come from one another: one network out of several.

    python -m training.average_weights A.pt B.pt --out C.pt

Networks tuned from common weights lie close enough that the mean of their weights reads as well
as either and often better on what neither has seen, at no cost when reading (M. Wortsman et al.
2022, "Model soups", arXiv 2203.05482). The result has to be measured like any new network.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from training.checkpoint import FORMAT, learnt_setting, write_checkpoint


def averaged(states: Sequence[Mapping[str, Tensor]]) -> dict[str, Tensor]:
    """Mean of state dicts, each value in the precision of the first.

    Raises
    ------
    ValueError
        When they are not of one network: other names or other shapes.
    """
    first = states[0]
    for other in states[1:]:
        if {k: v.shape for k, v in other.items()} != {k: v.shape for k, v in first.items()}:
            raise ValueError("These checkpoints are of different networks.")
    return {
        name: torch.stack([state[name].float() for state in states]).mean(0).to(value.dtype)
        for name, value in first.items()
    }


def average_files(paths: Sequence[Path], out: Path) -> dict[str, Any]:
    """Average checkpoints into a new one; give its content.

    Raises
    ------
    ValueError
        As of `averaged`, or when one is no checkpoint of ours.
    """
    parts = [torch.load(path, map_location="cpu", weights_only=True) for path in paths]
    for path, part in zip(paths, parts, strict=True):
        if not isinstance(part, dict) or part.get("format") != FORMAT:
            raise ValueError(f"{path.name} is no checkpoint of this program.")
    made = {
        "format": FORMAT,
        "weights": averaged([part["weights"] for part in parts]),
        "step": sum(int(part["step"]) for part in parts),
        "elapsed_s": sum(float(part["elapsed_s"]) for part in parts),
        "settings": {"averaged_of": len(parts), **learnt_setting(paths)},
        "scores": {},
    }
    write_checkpoint(out, made)
    return made


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("checkpoints", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(words)
    if len(options.checkpoints) < 2:
        parser.error("Name two checkpoints or more.")
    try:
        average_files(options.checkpoints, options.out)
    except (OSError, ValueError) as error:
        print(f"average_weights: {error}", file=sys.stderr)
        return 1
    print(f"{options.out}: mean of {len(options.checkpoints)} checkpoints")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
