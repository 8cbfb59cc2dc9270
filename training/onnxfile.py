"""An ONNX file of a network: traced with free sizes, lean, described, kept only if it agrees."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from training.lean import lean

OPSET = 17
AGREEMENT = 1e-3
"""Largest difference of ONNX Runtime from PyTorch; relative where answers exceed 1."""

Axes = Mapping[str, Mapping[int, str]]


def export_checked(
    folded: nn.Module,
    reference: nn.Module,
    out: str | Path,
    *,
    example: Tensor,
    axes: Axes,
    images: Iterable[Tensor],
    facts: dict[str, str],
) -> None:
    """Write a network's file, check it against PyTorch, and say what came of it.

    Parameters
    ----------
    folded, reference : Module
        The network as exported, its norms folded; and as trained.
    out : str or Path
    example : Tensor
        An input to trace with.
    axes : mapping
        The input's name and the outputs' in order, each with its free axes.
    images : iterable of Tensor
        Inputs to compare on.
    facts : dict
        Metadata; ``version`` is said.

    Raises
    ------
    SystemExit
        When ONNX Runtime does not agree with PyTorch; `out` is left as it was then.
    """
    out = Path(out)
    spare = out.with_name(out.name + ".new")
    write_onnx(folded, spare, example=example, axes=axes, facts=facts)
    worst = worst_disagreement(reference, spare, images)
    if not worst <= AGREEMENT:
        spare.unlink()
        raise SystemExit(f"ONNX Runtime differs from PyTorch by {worst:.2g}, over {AGREEMENT}.")
    os.replace(spare, out)
    print(
        f"{out}: version {facts['version']}, {out.stat().st_size / 1e6:.1f} MB, "
        f"differs from PyTorch by at most {worst:.1e}",
        flush=True,
    )


def write_onnx(
    network: nn.Module, path: Path, *, example: Tensor, axes: Axes, facts: dict[str, str]
) -> None:
    """Export a folded network with its free axes, and write its metadata."""
    import onnx

    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    given, *answers = axes
    with warnings.catch_warnings():
        # The tracing exporter is the one that keeps all axes free with these networks; it
        # announces its successor at length.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            network,
            (example,),
            str(beside),
            dynamo=False,
            opset_version=OPSET,
            input_names=[given],
            output_names=answers,
            dynamic_axes={name: dict(free) for name, free in axes.items()},
        )
    model = onnx.load(str(beside))
    lean(model)
    onnx.helper.set_model_props(model, facts)
    onnx.checker.check_model(model, full_check=True)
    onnx.save(model, str(beside))
    os.replace(beside, path)


def worst_disagreement(network: nn.Module, path: Path, images: Iterable[Tensor]) -> float:
    """Largest difference of ONNX Runtime from PyTorch; relative where answers exceed 1."""
    import onnxruntime

    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    given = session.get_inputs()[0].name
    worst = 0.0
    for image in images:
        with torch.no_grad():
            ours = [tensor.numpy() for tensor in network(image)]
        theirs = session.run(None, {given: image.numpy()})
        for a, b in zip(ours, theirs, strict=True):
            if a.shape != b.shape:
                raise SystemExit(f"The exported network gives {b.shape}, PyTorch {a.shape}.")
            worst = max(worst, float((np.abs(a - b) / np.maximum(1.0, np.abs(a))).max()))
    return worst
