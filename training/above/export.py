"""From a checkpoint to the file that run time loads: ONNX, norms folded, any size, checked.

python -m training.above.export --checkpoint above.pt --out models/above.onnx
"""

from __future__ import annotations

import argparse
import datetime
import json
from pathlib import Path

import torch

from training.above import network as net
from training.above.contract import MAP_STRIDE, OUTPUTS, WORKING_MM_PER_PX
from training.checkpoint import load_weights
from training.export import weights_hash
from training.network import fold_norms
from training.onnxfile import export_checked

CHECK_SHAPES = ((1, 256, 320), (2, 96, 160), (1, 512, 512))


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Export the network for photos from above.")
    parser.add_argument("--checkpoint", required=True)
    parser.add_argument("--out", default="models/above.onnx")
    parser.add_argument("--version", help="by default date and weights' hash")
    return parser.parse_args(argv)


def export(checkpoint: str | Path, out: str | Path, version: str | None = None) -> dict[str, str]:
    """Export, check and describe a checkpoint; give the metadata written.

    Raises
    ------
    SystemExit
        When there is no checkpoint, or ONNX Runtime does not agree with PyTorch; `out` is left
        as it was then.
    """
    if not Path(checkpoint).is_file():
        raise SystemExit(f"No checkpoint at {checkpoint}. Train one with training.above.run first.")
    network = net.AboveNetwork()
    trained = load_weights(checkpoint, network)
    network.eval()
    today = datetime.date.today().isoformat()
    facts = {
        "version": version or f"{today}-{weights_hash(network)}",
        "trained": today,
        "steps": str(trained.get("step", "")),
        "outputs": ",".join(OUTPUTS),
        "working_mm_per_px": str(WORKING_MM_PER_PX),
        "map_stride": str(MAP_STRIDE),
        "scores": json.dumps(trained.get("scores", {})),
    }
    reference = net.AboveNetwork()
    reference.load_state_dict(network.state_dict())
    reference.eval()
    generator = torch.Generator().manual_seed(5)
    export_checked(
        net.Exported(fold_norms(network)).eval(),
        net.Exported(reference).eval(),
        out,
        example=torch.rand(1, 3, 256, 320),
        axes={
            "photo": {0: "n", 2: "height", 3: "width"},
            **{name: {0: "n", 2: "map_height", 3: "map_width"} for name in OUTPUTS},
        },
        images=[torch.rand(n, 3, h, w, generator=generator) for n, h, w in CHECK_SHAPES],
        facts=facts,
    )
    return facts


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    export(options.checkpoint, options.out, options.version)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
