"""From a checkpoint to the file that run time loads: ONNX, norms folded, any size, checked.

python -m training.export --checkpoint checkpoint.pt --out models/collarvision.onnx
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import json
import os
import warnings
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from training import phone
from training.checkpoint import load_weights
from training.lean import lean
from training.network import (
    GLOBAL_CHANNELS,
    LINK_SCALE,
    MAP_CHANNELS,
    MAP_STRIDE,
    RANK_SCALE,
    REASONS,
    Network,
    fold_norms,
)
from training.views import LOOK_PX, READ_MARGIN, READ_PX

OPSET = 17
AGREEMENT = 1e-3
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


def write_onnx(network: Network, path: Path, facts: dict[str, str]) -> None:
    """Export a folded network with dynamic batch, height and width, and write its metadata."""
    import onnx

    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    with warnings.catch_warnings():
        # The tracing exporter is the one that keeps all three axes free with this network; it
        # announces its successor at length.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            (torch.rand(2, 3, 320, 256),),
            str(beside),
            dynamo=False,
            opset_version=OPSET,
            input_names=["image"],
            output_names=["maps", "globals"],
            dynamic_axes={
                "image": {0: "n", 2: "height", 3: "width"},
                "maps": {0: "n", 2: "map_height", 3: "map_width"},
                "globals": {0: "n"},
            },
        )
    model = onnx.load(str(beside))
    lean(model)
    onnx.helper.set_model_props(model, facts)
    onnx.checker.check_model(model, full_check=True)
    onnx.save(model, str(beside))
    os.replace(beside, path)


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


def worst_disagreement(network: Network, path: Path, images: list[Tensor]) -> float:
    """Largest difference of ONNX Runtime from PyTorch; relative where answers exceed 1."""
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    worst = 0.0
    for image in images:
        with torch.no_grad():
            ours = [t.numpy() for t in network(image)]
        theirs = session.run(["maps", "globals"], {"image": image.numpy()})
        for a, b in zip(ours, theirs, strict=True):
            if a.shape != b.shape:
                raise SystemExit(f"The exported network gives {b.shape}, PyTorch {a.shape}.")
            worst = max(worst, float((np.abs(a - b) / np.maximum(1.0, np.abs(a))).max()))
    return worst


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
    network = Network()
    if not Path(checkpoint).is_file():
        raise SystemExit(f"No checkpoint at {checkpoint}. Train one with training.train first.")
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
        "padding": "114",
        "scores": json.dumps(trained.get("scores", {})),
    }
    reference = Network()
    reference.load_state_dict(network.state_dict())
    reference.eval()
    out = Path(out)
    spare = out.with_name(out.name + ".new")
    write_onnx(fold_norms(network), spare, facts)
    worst = worst_disagreement(reference, spare, check_images(images or []))
    if not worst <= AGREEMENT:
        spare.unlink()
        raise SystemExit(f"ONNX Runtime differs from PyTorch by {worst:.2g}, over {AGREEMENT}.")
    os.replace(spare, out)
    print(
        f"{out}: version {facts['version']}, {out.stat().st_size / 1e6:.1f} MB, "
        f"differs from PyTorch by at most {worst:.1e}",
        flush=True,
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
