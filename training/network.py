"""The reading network: encoder, feature pyramid, dense maps and global answers.

One network serves both looks (the whole photo, then a crop around the plant). The channel lists
below are the contract with the run-time package and are written into the exported file.
"""

from __future__ import annotations

from typing import TypeVar

import torch
from torch import Tensor, nn
from torch.nn import functional

from training.encoder import TAP_CHANNELS, Encoder, InvertedResidual, load_encoder, read_weights

MAP_CHANNELS: tuple[str, ...] = (
    "class_background",
    "class_blade",
    "class_stalk",
    "class_soil",
    "class_card",
    "collar_heat",
    "tip_heat",
    "base_heat",
    "arch_heat",
    "hidden_collar_heat",
    "collar_dx",
    "collar_dy",
    "tip_dx",
    "tip_dy",
    "tip_rounded",
    "tip_collared",
    "link_dx",
    "link_dy",
    "collar_rank",
    "tip_rank",
    "top_toward",
    "top_toward_log_spread",
    "top_arches",
    "top_half_out",
    "tip_whole",
)
GLOBAL_CHANNELS: tuple[str, ...] = (
    *(f"collars_at_least_{k}" for k in range(1, 13)),
    "usable_ok",
    "usable_no_plant",
    "usable_several",
    "usable_cut_off",
    "usable_blurred",
    "usable_dark",
    "usable_not_maize",
    "laid",
    "first_leaf",
    "lost_0",
    "lost_1",
    "lost_2",
    "lost_3_or_more",
    "spare_log_sigma",
    "foot_first_leaf",
    *(f"foot_lost_{word}" for word in ("0", "1", "2", "3_or_more")),
)
REASONS = ("ok", "no_plant", "several", "cut_off", "blurred", "dark", "not_maize")

CLASSES = slice(0, 5)
HEATS = slice(5, 10)
COLLAR_OFFSET, TIP_OFFSET = slice(10, 12), slice(12, 14)
TIP_ROUNDED, TIP_COLLARED = 14, 15
LINK = slice(16, 18)
COLLAR_RANK, TIP_RANK = 18, 19
TOPS = slice(20, 24)  # where a leaf is highest: what its height hangs on
TIP_WHOLE = 24
TOLD_BESIDE = slice(TOPS.start, TIP_WHOLE + 1)  # maps that have features of their own besides
COLLARS = slice(0, 12)
USABILITY = slice(12, 19)
LAID, FIRST_LEAF = 19, 20
LOST = slice(21, 25)
WHOLE = slice(COLLARS.stop, 26)  # answers from the look of the whole plant
FOOT_FIRST_LEAF = 26
FOOT_LOST = slice(27, 31)

MAP_STRIDE = 4  # network px per map px
LINK_SCALE = 16.0  # map px per unit of the link channels
TOWARD_SCALE = 16.0  # map px per unit of how far a leaf's top stands towards the camera
RANK_SCALE = 4.0  # leaves per unit of the rank channels
COUNT_SCALE = 8.0  # keeps the summed evidence of a dozen keypoints near one

COARSE, FINE = 96, 64
EVIDENCE = 64  # channels that the count of collars sums up
FOOT = 64  # channels that the signs of lost leaves are summed up in
FOOT_NEAR, FOOT_FAR = 8.0, 20.0  # map px about the foot for the lowest collars, and for tips
COLLAR_HEATS = [HEATS.start, HEATS.stop - 1]  # of collars seen and of hidden ones


class Separable(nn.Module):
    """Depthwise then pointwise convolution with batch norms; optionally adds its input."""

    def __init__(self, inputs: int, outputs: int, kernel: int = 3, adds: bool = False):
        super().__init__()
        self.spatial = nn.Conv2d(
            inputs, inputs, kernel, padding=kernel // 2, groups=inputs, bias=False
        )
        self.spatial_norm = nn.BatchNorm2d(inputs, momentum=0.05)
        self.mix = nn.Conv2d(inputs, outputs, 1, bias=False)
        self.mix_norm = nn.BatchNorm2d(outputs, momentum=0.05)
        self.adds = adds

    def forward(self, x: Tensor) -> Tensor:
        y = functional.relu(self.spatial_norm(self.spatial(x)))
        y = self.mix_norm(self.mix(y))
        return functional.relu(x + y if self.adds else y)


class Lateral(nn.Module):
    """Bring an encoder map to the pyramid's width."""

    def __init__(self, inputs: int, outputs: int):
        super().__init__()
        self.mix = nn.Conv2d(inputs, outputs, 1, bias=False)
        self.norm = nn.BatchNorm2d(outputs, momentum=0.05)

    def forward(self, x: Tensor) -> Tensor:
        return self.norm(self.mix(x))


def _twice(x: Tensor) -> Tensor:
    return functional.interpolate(x, scale_factor=2.0, mode="nearest")


class Network(nn.Module):
    """Maps and globals from an image; see `MAP_CHANNELS` and `GLOBAL_CHANNELS`.

    Takes ``image`` (N, 3, H, W), RGB float in 0..1, H and W multiples of 32. Gives ``maps``
    (N, 25, H/4, W/4) and ``globals`` (N, 31), all float32.
    """

    def __init__(self, coarse: int = COARSE, fine: int = FINE):
        super().__init__()
        self.encoder = Encoder()
        half, quarter, eighth, sixteenth, top = TAP_CHANNELS
        self.lateral_32 = Lateral(top, coarse)
        self.lateral_16 = Lateral(sixteenth, coarse)
        self.lateral_8 = Lateral(eighth, coarse)
        self.lateral_4 = Lateral(quarter, fine)
        # Collars are a few px high: the 1/2 map, folded into channels, keeps their edges.
        self.lateral_2 = Lateral(half * 4, fine)
        self.narrow = nn.Conv2d(coarse, fine, 1, bias=False)
        self.merge_32 = Separable(coarse, coarse, 5, adds=True)
        self.merge_16 = Separable(coarse, coarse, 5, adds=True)
        self.merge_8 = Separable(coarse, coarse, 5, adds=True)
        self.merge_4 = Separable(fine, fine, 3, adds=True)
        self.refine = nn.Sequential(
            Separable(fine, fine, 5, adds=True), Separable(fine, fine, 5, adds=True)
        )
        self.map_head = nn.Sequential(
            Separable(fine, fine, 3), nn.Conv2d(fine, len(MAP_CHANNELS), 1)
        )
        # Leaf tops came late to a network that reads well: what they need is learnt beside it.
        beside = TOLD_BESIDE.stop - TOLD_BESIDE.start
        self.top_head = nn.Sequential(Separable(fine, fine, 5), nn.Conv2d(fine, beside, 1))
        pooled = 2 * top + 8 * fine
        self.global_head = nn.Sequential(
            nn.Linear(pooled, 256),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(256, WHOLE.stop - WHOLE.start),
        )
        self.evidence = nn.Conv2d(fine, EVIDENCE, 1)
        self.count_head = nn.Sequential(
            nn.Linear(3 * EVIDENCE, 128),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(128, COLLARS.stop),
        )
        self.foot = nn.Conv2d(fine, FOOT, 1)
        self.foot_head = nn.Sequential(
            nn.Linear(len(FOOT_PLACES) * FOOT, 128),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(128, 1 + FOOT_LOST.stop - FOOT_LOST.start),
        )
        last = self.map_head[-1]
        assert isinstance(last, nn.Conv2d)
        assert last.bias is not None
        nn.init.normal_(last.weight, std=0.02)
        nn.init.zeros_(last.bias)
        # Keypoints are rare: begin at a probability of 0.01 (Lin et al. 2017, focal loss).
        last.bias.data[HEATS] = -4.6
        last.bias.data[[COLLAR_RANK, TIP_RANK]] = 0.75
        nn.init.zeros_(self.top_head[1].weight)
        nn.init.zeros_(self.top_head[1].bias)

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        half, quarter, eighth, sixteenth, top = self.encoder(image)
        x = self.merge_32(functional.relu(self.lateral_32(top)))
        x = self.merge_16(functional.relu(self.lateral_16(sixteenth) + _twice(x)))
        x = self.merge_8(functional.relu(self.lateral_8(eighth) + _twice(x)))
        fine = self.lateral_4(quarter) + self.lateral_2(functional.pixel_unshuffle(half, 2))
        x = self.merge_4(functional.relu(fine + _twice(self.narrow(x))))
        x = self.refine(x)
        features, tops = self.map_head[0](x), self.top_head[0](x)
        # Offsets, links and ranks need more digits than bfloat16 has.
        with torch.autocast(device_type=image_device(x), enabled=False):
            maps = self.map_head[1](features.float())
            beside = maps[:, TOLD_BESIDE] + self.top_head[1](tops.float())
            maps = torch.cat([maps[:, : TOLD_BESIDE.start], beside], dim=1)
        answers = [self._count(x, maps), self._globals(top, x, maps), self._foot(x, maps)]
        return maps, torch.cat(answers, dim=1)

    def _count(self, fine: Tensor, maps: Tensor) -> Tensor:
        """Count collars from what is seen at collars alone.

        The look of the whole plant (its leaves, their number and size) also tells a count, on
        plants of our own kind: a head that may use it is half wrong on plants of another kind.
        """
        # Channel by channel: a list of them would be sent to the GPU, which waits for all before.
        heats = torch.stack([maps[:, channel] for channel in COLLAR_HEATS], dim=1)
        heat = torch.sigmoid(heats).detach().float()
        with torch.autocast(device_type=image_device(fine), enabled=False):
            evidence = functional.relu(self.evidence(fine.float()))
            sums = heat.flatten(2) @ evidence.flatten(2).transpose(1, 2)  # (N, 2, EVIDENCE)
            peak = (evidence * heat[:, :1]).amax((2, 3))
            pooled = torch.cat([torch.log1p(sums / COUNT_SCALE).flatten(1), peak], dim=1)
            counted: Tensor = self.count_head(pooled)
        return counted

    def _foot(self, fine: Tensor, maps: Tensor) -> Tensor:
        """Tell what is lost from what is seen at the plant's foot alone: see `foot_places`."""
        where = foot_places(maps.detach())
        with torch.autocast(device_type=image_device(fine), enabled=False):
            signs = functional.relu(self.foot(fine.float())).flatten(2)  # (N, FOOT, cells)
            pooled = where @ signs.transpose(1, 2)  # (N, places, FOOT)
            told: Tensor = self.foot_head(pooled.flatten(1))
        return told

    def _globals(self, top: Tensor, fine: Tensor, maps: Tensor) -> Tensor:
        """Pool what matters: the whole view, the plant's parts, and the keypoints.

        The attention is detached: the maps learn from their own truth alone.
        """
        classes = torch.softmax(maps[:, CLASSES], dim=1)
        heats = torch.sigmoid(maps[:, HEATS])
        where = torch.cat([classes[:, 1:3], heats[:, 0:2]], dim=1).detach().float().flatten(2)
        with torch.autocast(device_type=image_device(fine), enabled=False):
            features = fine.float().flatten(2)  # (N, fine, cells)
            sums = where @ features.transpose(1, 2)  # (N, 4, fine)
            means = sums / (where.sum(2, keepdim=True) + 1.0)
            counts = torch.log1p(sums[:, 2:] / COUNT_SCALE)
            collar_peak = (features * where[:, 2:3]).amax(2)
            tip_peak = (features * where[:, 3:4]).amax(2)
            top = top.float()
            pooled = torch.cat(
                [
                    top.mean((2, 3)),
                    top.amax((2, 3)),
                    means.flatten(1),
                    counts.flatten(1),
                    collar_peak,
                    tip_peak,
                ],
                dim=1,
            )
            return self.global_head(pooled)


FOOT_PLACES = ("base", "lowest_collar", "lowest_hidden_collar", "tips_near", "rounded_tip")
"""Where the signs of lost leaves are looked for; each is a mean over cells, weighed by heat."""


def foot_places(maps: Tensor) -> Tensor:
    """Weights (N, 5, cells) of `FOOT_PLACES`, each row's sum at most 1; 0 where nothing is there.

    The count of collars saw too much as long as it saw the whole plant, and so do these: a plant's
    proportions tell a leaf's rank on plants of our own kind only.
    """
    height, width = maps.shape[2:]
    heats = torch.sigmoid(maps[:, HEATS].float()).flatten(2)
    collar, tip, base, _, hidden = heats.unbind(1)
    rounded = torch.sigmoid(maps[:, TIP_ROUNDED].float()).flatten(1)
    y, x = torch.meshgrid(
        torch.arange(height, device=maps.device, dtype=torch.float32),
        torch.arange(width, device=maps.device, dtype=torch.float32),
        indexing="ij",
    )
    place = torch.stack([x.flatten(), y.flatten()])  # (2, cells)
    sharp = base.square().square()
    foot = (sharp @ place.T) / (sharp.sum(1, keepdim=True) + 1e-6)  # (N, 2)
    away = (place[None] - foot[..., None]).square().sum(1).sqrt()  # (N, cells)
    near, far = torch.exp(-away / FOOT_NEAR), torch.exp(-away / FOOT_FAR)
    weights = torch.stack(
        [base, collar * near, hidden * near, tip * far, tip * rounded * far], dim=1
    ).square()
    # Squared, so that the strongest counts; little heat in all stays little.
    return weights / (weights.sum(2, keepdim=True) + 1e-3)


def image_device(tensor: Tensor) -> str:
    """Give the device type in the form that autocast wants."""
    return "cuda" if tensor.is_cuda else "cpu"


def build(
    encoder_weights: str | None = None, pretrained: bool = True, coarse: int = COARSE
) -> Network:
    """Build the network, its encoder at ImageNet weights unless `pretrained` is off.

    `coarse` is the channels of its decoder's coarse maps (1/8 and coarser).
    """
    network = Network(coarse)
    if pretrained:
        load_encoder(network.encoder, read_weights(encoder_weights))
    return network


Folded = TypeVar("Folded", bound=nn.Module)


def fold_norms(network: Folded) -> Folded:
    """Fold every batch norm into the convolution before it, in place, for export.

    Leaves the outputs unchanged but for rounding; only for evaluation.
    """
    from torch.nn.utils.fusion import fuse_conv_bn_eval

    network.eval()
    pairs: list[tuple[nn.Module, str, str]] = []
    for module in network.modules():
        if isinstance(module, Encoder):
            pairs.append((module, "_conv_stem", "_bn0"))
        elif isinstance(module, InvertedResidual):
            if module.expands:
                pairs.append((module, "_expand_conv", "_bn0"))
            pairs += [(module, "_depthwise_conv", "_bn1"), (module, "_project_conv", "_bn2")]
        elif isinstance(module, Separable):
            pairs += [(module, "spatial", "spatial_norm"), (module, "mix", "mix_norm")]
        elif isinstance(module, Lateral):
            pairs.append((module, "mix", "norm"))
    for owner, conv, norm in pairs:
        setattr(owner, conv, fuse_conv_bn_eval(getattr(owner, conv), getattr(owner, norm)))
        setattr(owner, norm, nn.Identity())
    return network
