"""Lighten the exported network: 8-bit numbers inside, which older processors read fast as well.

python -m training.above.lighten --model float.onnx --samples DIR --out models/above.onnx

Encoder and decoder are quantised, the head isn't: it is fitted anew to what the decoder gives now,
so that the answers are those of the float network. Weights have 7 bits: where a processor has no
instruction for sums of 8-bit products (VNNI), 16-bit sums of full ones overflow; with 7 every
processor gives the same answers. Ranges are taken after training, a scale a channel: B. Jacob et
al. 2018, "Quantization and training of neural networks for efficient integer-arithmetic-only
inference", CVPR (cited from memory).
"""

from __future__ import annotations

import argparse
import logging
import math
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.above import network as net
from training.above.augment import augmented, draw_view
from training.above.contract import OUTPUTS
from training.above.samples import AboveSample
from training.above.validate import read_folder

QUANTISED = ("Conv", "Relu", "Clip", "Add", "Resize", "AveragePool")
HEAD = "/network/head."
STEM = (
    "/network/encoder/_conv_stem/Conv",
    "/network/encoder/Clip",
    "/network/encoder/_blocks.0/_depthwise_conv/Conv",
)
"""The first convolution reads the picture as it is, and the next one what that saw, a channel each:
in float they are as fast, and most of the error goes (`EXPERIMENTS.md`, 11)."""
FEATURES = "/network/refine/Relu_1_output_0"
LOGITS = "/network/head.1/Conv_output_0"
HEAD_CONVOLUTIONS = ("head.0/spatial", "head.0/mix", "head.1")

RANGES_FROM = 24
"""Views that the ranges of the activations are taken from."""
HELD_SHARE = 5
"""Every so-manieth view is held back from the fit, to tell how far the answers are off."""

SUFFIX = "-8bit"
"""What the version of a lighter network ends with: its answers are its own."""

WORST_HEAT = 0.03
"""Largest error (root mean square) of the heat of plant centres where any heat is."""


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        prog="training.above.lighten", description="Quantise the network for photos from above."
    )
    add = parser.add_argument
    add("--model", type=Path, required=True, help="what training.above.export wrote")
    add("--samples", type=Path, required=True, help="training fields; never validation ones")
    add("--out", type=Path, default=Path("models/above.onnx"))
    add("--views", type=int, default=240, help="views of those fields to fit on")
    add("--side", type=int, default=448, help="of a view, px; a multiple of 32")
    add("--steps", type=int, default=3000)
    add("--rate", type=float, default=4e-4)
    add("--seed", type=int, default=1)
    return parser.parse_args(argv)


def views_of(samples: Sequence[AboveSample], count: int, side: int, seed: int) -> list[np.ndarray]:
    """Views (1, 3, side, side) of fields as training draws them: turned, through some camera."""
    rng = np.random.default_rng(seed)
    found: list[np.ndarray] = []
    while len(found) < count:
        few = [samples[int(k)] for k in rng.integers(len(samples), size=4)]
        drawn = [draw_view(rng, *sample.mask.shape[:2], side) for sample in few]
        image, _ = augmented(few, drawn, torch.device("cpu"), int(rng.integers(2**31)))
        found += [one[None].numpy() for one in image]
    return found[:count]


def quantise(source: Path, out: Path, views: Sequence[np.ndarray]) -> None:
    """Write the network with 8-bit numbers up to its head."""
    import onnx
    import onnxruntime
    from onnxruntime.quantization import (
        CalibrationDataReader,
        QuantFormat,
        QuantType,
        quantize_static,
    )

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self._views: Iterator[np.ndarray] = iter(views)

        def get_next(self) -> dict[str, np.ndarray] | None:
            view = next(self._views, None)
            return None if view is None else {"photo": view}

    nodes = onnx.load(str(source)).graph.node
    kept = [n.name for n in nodes if n.name.startswith(HEAD) or n.name.count("/") == 1]
    kept += STEM
    onnxruntime.set_default_logger_severity(3)  # one line for each constant it has folded
    logging.disable(logging.WARNING)  # advice for other kinds of networks
    try:
        quantize_static(
            str(source),
            str(out),
            Reader(),
            quant_format=QuantFormat.QOperator,
            per_channel=True,
            reduce_range=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            op_types_to_quantize=list(QUANTISED),
            nodes_to_exclude=kept,
        )
    finally:
        logging.disable(logging.NOTSET)


def answers(model: Any, inside: str, views: Sequence[np.ndarray]) -> list[Tensor]:
    """A tensor inside of a model for each view."""
    import onnx
    import onnxruntime

    told = onnx.ModelProto.FromString(model.SerializeToString())
    told.graph.output.append(
        onnx.helper.make_tensor_value_info(inside, onnx.TensorProto.FLOAT, None)
    )
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    session = onnxruntime.InferenceSession(
        told.SerializeToString(), sess_options=options, providers=["CPUExecutionProvider"]
    )
    return [torch.from_numpy(session.run([inside], {"photo": view})[0]) for view in views]


class Head:
    """The head's weights, taken from a model and put back into it."""

    def __init__(self, model: Any):
        from onnx import numpy_helper

        self._kept = {one.name: one for one in model.graph.initializer}
        by_name = {node.name: node for node in model.graph.node}
        self._names = [
            name
            for part in HEAD_CONVOLUTIONS
            for name in by_name[f"/network/{part}/Conv"].input[1:]
        ]
        self.weights = [
            torch.from_numpy(numpy_helper.to_array(self._kept[name]).copy()).requires_grad_(True)
            for name in self._names
        ]

    def __call__(self, features: Tensor) -> Tensor:
        spatial, spatial_bias, mix, mix_bias, last, last_bias = self.weights
        x = functional.conv2d(
            features,
            spatial,
            spatial_bias,
            padding=spatial.shape[-1] // 2,
            groups=features.shape[1],
        ).relu()
        x = functional.conv2d(x, mix, mix_bias).relu()
        return functional.conv2d(x, last, last_bias)

    def put_back(self) -> None:
        from onnx import numpy_helper

        for name, value in zip(self._names, self.weights, strict=True):
            self._kept[name].CopyFrom(numpy_helper.from_array(value.detach().numpy(), name))


def difference(told: Tensor, wanted: Tensor) -> Tensor:
    """How far logits are from those of the float network; where it sees something counts more."""
    seen = net.PROBABILITIES
    p = torch.sigmoid(wanted[:, seen])
    cross = functional.binary_cross_entropy_with_logits
    least = cross(wanted[:, seen], p, reduction="none")
    off = (cross(told[:, seen], p, reduction="none") - least) * (1.0 + 20.0 * p)
    tips, plants = (p[:, OUTPUTS[name]] + 0.01 for name in ("tips", "plants"))
    link, count = OUTPUTS["to_plant"], OUTPUTS["tip_count"]
    links = (told[:, link] - wanted[:, link]).abs() * tips
    counts = (told[:, count] - wanted[:, count]).square() * plants
    return 20.0 * off.mean() + 5.0 * links.mean() + 20.0 * counts.mean()


def heat_error(told: Sequence[Tensor], wanted: Sequence[Tensor]) -> float:
    """Root mean square error of the heat of plant centres where either has any; NaN if none has."""
    heats = [
        [torch.sigmoid(one[:, OUTPUTS["plants"]]).flatten() for one in both]
        for both in (told, wanted)
    ]
    mine, theirs = (torch.cat(one) for one in heats)
    some = torch.maximum(mine, theirs) > 0.1
    return float((mine - theirs)[some].square().mean().sqrt())


def fit_head(
    head: Head,
    features: Sequence[Tensor],
    wanted: Sequence[Tensor],
    *,
    steps: int,
    rate: float,
    seed: int,
) -> tuple[float, float]:
    """Fit the head to the quantised features; errors of views held back, before and after."""
    held = range(0, len(features), HELD_SHARE)
    fitted = [k for k in range(len(features)) if k % HELD_SHARE]

    def error() -> float:
        with torch.no_grad():
            return heat_error([head(features[k]) for k in held], [wanted[k] for k in held])

    before = error()
    optimiser = torch.optim.Adam(head.weights, lr=rate)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, rate, max(steps, 2))
    rng = np.random.default_rng(seed)
    for _ in range(steps):
        k = fitted[int(rng.integers(len(fitted)))]
        optimiser.zero_grad()
        difference(head(features[k]), wanted[k]).backward()
        optimiser.step()
        schedule.step()
    return before, error()


def lighten(options: argparse.Namespace) -> dict[str, str]:
    """Write the lighter network; give its metadata.

    Raises
    ------
    SystemExit
        When there is nothing to work on, or the lighter network answers otherwise; `out` is left
        as it was then.
    """
    import onnx

    if not options.model.is_file():
        raise SystemExit(f"No network at {options.model}. Write one with training.above.export.")
    source = onnx.load(str(options.model))
    facts = {one.key: one.value for one in source.metadata_props}
    if facts["version"].endswith(SUFFIX):
        raise SystemExit(
            f"{options.model} is light already: give what training.above.export wrote."
        )
    samples = read_folder(options.samples)
    if not samples:
        raise SystemExit(
            f"No fields under {options.samples}: render some with training.above.scenes."
        )
    views = views_of(samples, options.views, options.side, options.seed)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=options.out.parent) as folder:
        spare = Path(folder) / "light.onnx"
        quantise(options.model, spare, views[:RANGES_FROM])
        light = onnx.load(str(spare))
        head = Head(light)
        features, wanted = answers(light, FEATURES, views), answers(source, LOGITS, views)
        before, after = fit_head(
            head, features, wanted, steps=options.steps, rate=options.rate, seed=options.seed
        )
        if math.isnan(after):
            raise SystemExit(
                f"No plant shows in the fields of {options.samples}: nothing to judge by."
            )
        if after > WORST_HEAT:
            raise SystemExit(f"Plant centres' heat is off by {after:.3f}, over {WORST_HEAT}.")
        head.put_back()
        facts["version"] += SUFFIX
        onnx.helper.set_model_props(light, facts)
        onnx.checker.check_model(light)
        onnx.save(light, str(spare))
        os.replace(spare, options.out)
    print(
        f"{options.out}: version {facts['version']}, {options.out.stat().st_size / 1e6:.1f} MB; "
        f"plant centres' heat is off by {after:.4f} ({before:.4f} before the head was fitted)",
        flush=True,
    )
    return facts


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    lighten(arguments(argv))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
