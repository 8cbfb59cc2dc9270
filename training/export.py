"""From a checkpoint to the file that run time loads: ONNX, norms folded, any size, checked.

python -m training.export --checkpoint checkpoint.pt --out models/collarvision.onnx
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import json
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from training import phone
from training.checkpoint import coarse_of, load_weights
from training.network import (
    GLOBAL_CHANNELS,
    LINK_SCALE,
    MAP_CHANNELS,
    MAP_STRIDE,
    RANK_SCALE,
    REASONS,
    TOWARD_SCALE,
    Network,
    fold_norms,
)
from training.onnxfile import export_checked
from training.views import LOOK_PX, READ_MARGIN, READ_PX

CHECK_SHAPES = ((1, 320, 256), (2, 320, 320), (1, 640, 640), (3, 96, 160))


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Export a checkpoint to ONNX and check it.")
    parser.add_argument("--checkpoint", required=True)
    parser.add_argument("--out", default="models/collarvision.onnx")
    parser.add_argument("--version", help="the model's version; by default date and weights' hash")
    parser.add_argument("--images", nargs="*", default=[], help="photos to check agreement on")
    parser.add_argument("--time", action="store_true", help="also print ONNX Runtime's CPU times")
    return parser.parse_args(argv)


def weights_hash(network: nn.Module) -> str:
    """Eight hexadecimal digits that tell one set of weights from another."""
    digest = hashlib.sha256()
    for name, value in sorted(network.state_dict().items()):
        digest.update(name.encode())
        digest.update(value.detach().cpu().numpy().tobytes())
    return digest.hexdigest()[:8]


def check_images(paths: list[str]) -> list[Tensor]:
    """Inputs to compare on: white noise, natural-looking textures, and given photos."""
    generator = torch.Generator().manual_seed(5)
    rng = np.random.default_rng(5)
    images = [torch.rand(n, 3, h, w, generator=generator) for n, h, w in CHECK_SHAPES]
    for n, h, w in CHECK_SHAPES:
        blank = torch.full((n, 3, h, w), 0.5)
        images.append(phone.paint_background(blank, torch.zeros(n, 1, h, w), rng, generator))
    for path in paths:
        import cv2

        photo = cv2.imread(path, cv2.IMREAD_COLOR)
        if photo is None:
            raise SystemExit(f"{path} is not an image. Give photos to --images.")
        photo = cv2.resize(photo[..., ::-1], (READ_PX, READ_PX), interpolation=cv2.INTER_AREA)
        images.append(torch.from_numpy(photo / np.float32(255)).permute(2, 0, 1)[None])
    return images


def time_ms(path: Path, threads: int = 2, repeats: int = 15) -> dict[str, float]:
    """Median milliseconds of ONNX Runtime on the CPU at the two looks' sizes."""
    import time

    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    out = {}
    for height, width in ((LOOK_PX, 256), (LOOK_PX, LOOK_PX), (READ_PX, READ_PX)):
        image = np.random.default_rng(0).random((1, 3, height, width), np.float32)
        spent = []
        for turn in range(repeats + 3):
            began = time.perf_counter()
            session.run(None, {"image": image})
            if turn >= 3:
                spent.append(time.perf_counter() - began)
        out[f"{height}x{width}"] = round(float(np.median(spent)) * 1e3, 1)
    return out


def export(
    checkpoint: str | Path,
    out: str | Path,
    version: str | None = None,
    images: list[str] | None = None,
) -> dict[str, str]:
    """Export, check and describe a checkpoint; give the metadata written.

    Raises
    ------
    SystemExit
        When there is no checkpoint, or ONNX Runtime does not agree with PyTorch; `out` is left
        as it was then.
    """
    if not Path(checkpoint).is_file():
        raise SystemExit(f"No checkpoint at {checkpoint}. Train one with training.train first.")
    coarse = coarse_of(checkpoint)
    network = Network(coarse)
    trained = load_weights(checkpoint, network)
    network.eval()
    today = datetime.date.today().isoformat()
    facts = {
        "version": version or f"{today}-{weights_hash(network)}",
        "trained": today,
        "steps": str(trained.get("step", "")),
        "channels": ",".join(MAP_CHANNELS),
        "globals": ",".join(GLOBAL_CHANNELS),
        "usability": ",".join(REASONS),
        "look_px": str(LOOK_PX),
        "read_px": str(READ_PX),
        "read_margin": str(READ_MARGIN),
        "map_stride": str(MAP_STRIDE),
        "link_scale": str(LINK_SCALE),
        "rank_scale": str(RANK_SCALE),
        "toward_scale": str(TOWARD_SCALE),
        "padding": "114",
        "scores": json.dumps(trained.get("scores", {})),
    }
    reference = Network(coarse)
    reference.load_state_dict(network.state_dict())
    reference.eval()
    export_checked(
        fold_norms(network),
        reference,
        out,
        example=torch.rand(2, 3, 320, 256),
        axes={
            "image": {0: "n", 2: "height", 3: "width"},
            "maps": {0: "n", 2: "map_height", 3: "map_width"},
            "globals": {0: "n"},
        },
        images=check_images(images or []),
        facts=facts,
    )
    return facts


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    export(options.checkpoint, options.out, options.version, options.images)
    if options.time:
        print("CPU ms, 2 threads:", time_ms(Path(options.out)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
