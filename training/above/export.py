"""From a checkpoint to the file that run time loads: ONNX, norms folded, any size, checked.

python -m training.above.export --checkpoint above.pt --out models/above.onnx
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import torch

from training.above import network as net
from training.above.contract import MAP_STRIDE, OUTPUTS, WORKING_MM_PER_PX
from training.checkpoint import load_weights
from training.export import weights_hash

OPSET = 17
AGREEMENT = 1e-3
CHECK_SHAPES = ((1, 256, 320), (2, 96, 160), (1, 512, 512))


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Export the network for photos from above.")
    parser.add_argument("--checkpoint", required=True)
    parser.add_argument("--out", default="models/above.onnx")
    parser.add_argument("--version", help="by default date and weights' hash")
    return parser.parse_args(argv)


def pads_into_convolutions(model: Any) -> int:
    """Let each convolution pad itself where a Pad node did it; give how many were merged.

    The encoder's "same" padding is asymmetric, which PyTorch writes as a node of its own; on the
    CPU those nodes, with the changes of layout they force, took a third of the time.
    """
    import onnx

    graph = model.graph
    makers = {node.output[0]: node for node in graph.node}
    merged = 0
    for node in graph.node:
        pad = makers.get(node.input[0]) if node.op_type == "Conv" else None
        if pad is None or pad.op_type != "Pad":
            continue
        given = {attribute.name: attribute for attribute in node.attribute}
        kernel, stride = given["kernel_shape"].ints[0], given["strides"].ints[0]
        total = kernel - stride  # as training.encoder.SameConv pads; write_onnx's caller checks it
        before = total // 2
        if "pads" in given:
            node.attribute.remove(given["pads"])
        node.attribute.append(
            onnx.helper.make_attribute("pads", [before] * 2 + [total - before] * 2)
        )
        node.input[0] = pad.input[0]
        merged += 1
    wanted = {output.name for output in graph.output}
    for node in reversed(list(graph.node)):  # what computed the paddings is dead now
        if wanted.isdisjoint(node.output):
            graph.node.remove(node)
        else:
            wanted.update(node.input)
    return merged


def write_onnx(network: net.AboveNetwork, path: Path, facts: dict[str, str]) -> None:
    """Export a folded network with dynamic batch, height and width, and write its metadata."""
    import onnx

    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    axes = {name: {0: "n", 2: "map_height", 3: "map_width"} for name in OUTPUTS}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            net.Exported(network).eval(),
            (torch.rand(1, 3, 256, 320),),
            str(beside),
            dynamo=False,
            opset_version=OPSET,
            input_names=["photo"],
            output_names=list(OUTPUTS),
            dynamic_axes={"photo": {0: "n", 2: "height", 3: "width"}, **axes},
        )
    model = onnx.load(str(beside))
    pads_into_convolutions(model)
    onnx.helper.set_model_props(model, facts)
    onnx.checker.check_model(model, full_check=True)
    onnx.save(model, str(beside))
    os.replace(beside, path)


def worst_disagreement(network: net.AboveNetwork, path: Path) -> float:
    """Largest difference of ONNX Runtime from PyTorch; relative where answers exceed 1."""
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    exported = net.Exported(network).eval()
    generator = torch.Generator().manual_seed(5)
    worst = 0.0
    for shape in CHECK_SHAPES:
        photo = torch.rand(shape[0], 3, *shape[1:], generator=generator)
        with torch.no_grad():
            ours = [tensor.numpy() for tensor in exported(photo)]
        theirs = session.run(list(OUTPUTS), {"photo": photo.numpy()})
        for a, b in zip(ours, theirs, strict=True):
            if a.shape != b.shape:
                raise SystemExit(f"The exported network gives {b.shape}, PyTorch {a.shape}.")
            worst = max(worst, float((np.abs(a - b) / np.maximum(1.0, np.abs(a))).max()))
    return worst


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
    out = Path(out)
    spare = out.with_name(out.name + ".new")
    write_onnx(net.fold(network), spare, facts)
    worst = worst_disagreement(reference, spare)
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
    export(options.checkpoint, options.out, options.version)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
