"""Graft one network's count of collars onto the mean of several networks' weights.

    python -m training.graft MEAN.pt --donor DONOR.pt --samples DIR --out OUT.pt

The mean of two networks' weights shows collars as well as either, but its features are a mixture
that no count head was trained on. They are mixed nearly linearly: a linear map from the mean's
features to the donor's, fitted by least squares where the donor sees collars, goes into the first
layer of the donor's head. No label is used, so that any samples will do.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import torch
from torch import Tensor

from training import checkpoint
from training import network as net
from training.augment import plain_batch
from training.checkpoint import write_checkpoint
from training.network import Network
from training.samples import load_sample
from training.scoring import read_jsonl
from training.views import plain_read

SEEN = 0.05
"""Heat of a collar from which a cell is fitted on."""

ELSEWHERE = 100
"""Cells a photo that are fitted on besides, wherever they lie."""

ELSEWHERE_WEIGHT = 0.02
RIDGE = 0.1


def fine_features(network: Network, image: Tensor) -> tuple[Tensor, Tensor]:
    """Features (cells, FINE) that the heads stand on, and the heat (cells,) of collars there."""
    kept: list[Tensor] = []
    hook = network.refine.register_forward_hook(lambda _, __, out: kept.append(out))
    with torch.no_grad():
        maps, _ = network(image)
    hook.remove()
    heat = torch.sigmoid(maps[0, net.COLLAR_HEATS]).amax(0).flatten()
    return kept[0][0].flatten(1).T, heat


def fitted_map(mean: Network, donor: Network, images: Sequence[Tensor]) -> tuple[Tensor, float]:
    """Least squares from the mean's features to the donor's.

    Parameters
    ----------
    mean, donor : Network
        In evaluation mode.
    images : sequence of Tensor, (1, 3, H, W)
        READ crops, RGB in 0..1.

    Returns
    -------
    Tensor, (FINE + 1, FINE)
        The last row is the constant.
    float
        Share of the donor's weighed variance that the map explains.
    """
    generator = torch.Generator().manual_seed(1)
    ours, theirs, weights = [], [], []
    for image in images:
        mixed, _ = fine_features(mean, image)
        wanted, heat = fine_features(donor, image)
        anywhere = torch.randint(len(heat), (ELSEWHERE,), generator=generator)
        chosen = torch.cat([(heat > SEEN).nonzero()[:, 0], anywhere])
        ours.append(mixed[chosen])
        theirs.append(wanted[chosen])
        weights.append((heat[chosen] + ELSEWHERE_WEIGHT).sqrt())
    x = torch.cat(ours)
    x = torch.cat([x, torch.ones(len(x), 1)], dim=1)
    y, w = torch.cat(theirs), torch.cat(weights)[:, None]
    # Ridge towards the identity: features that are never seen stay as they are.
    still = torch.cat([torch.eye(y.shape[1]), torch.zeros(1, y.shape[1])])
    ridge = RIDGE * torch.eye(x.shape[1])
    fitted = torch.linalg.lstsq(torch.cat([x * w, ridge]), torch.cat([y * w, RIDGE * still]))
    mapped: Tensor = fitted.solution
    middle = (y * w**2).sum(0) / (w**2).sum()
    left = (((x @ mapped - y) * w) ** 2).sum() / (((y - middle) * w) ** 2).sum()
    return mapped, float(1 - left)


def graft(mean: Network, donor: Network, mapped: Tensor) -> None:
    """Put the donor's count of collars onto the mean, in place, its features mapped first."""
    mean.evidence.load_state_dict(donor.evidence.state_dict())
    mean.count_head.load_state_dict(donor.count_head.state_dict())
    weight = donor.evidence.weight[:, :, 0, 0]
    assert donor.evidence.bias is not None
    assert mean.evidence.bias is not None
    with torch.no_grad():
        mean.evidence.weight[:, :, 0, 0] = weight @ mapped[:-1].T
        mean.evidence.bias.copy_(donor.evidence.bias + weight @ mapped[-1])


def read_crops(folder: Path, count: int) -> list[Tensor]:
    """READ crops (1, 3, 640, 640) of up to so many samples with a whole plant."""
    crops: list[Tensor] = []
    for truth_file in sorted(folder.rglob("truth.jsonl")):
        for row in read_jsonl(truth_file):
            sample = load_sample(truth_file.parent, row)
            if sample.truth.reason != "ok":
                continue
            height, width = sample.mask.shape
            view = plain_read(sample.truth, width, height)
            crops.append(plain_batch([sample], [view], torch.device("cpu"))[0])
            if len(crops) == count:
                return crops
    return crops


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        prog="training.graft", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("mean", type=Path, help="what training.average_weights wrote")
    parser.add_argument("--donor", type=Path, required=True, help="whose count of collars is kept")
    parser.add_argument("--samples", type=Path, required=True, help="samples of training.plantgen")
    parser.add_argument("--count", type=int, default=60, help="so many of them")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(words)
    try:
        mean = Network(checkpoint.coarse_of(options.mean)).eval()
        donor = Network(checkpoint.coarse_of(options.donor)).eval()
        facts = checkpoint.load_weights(options.mean, mean)
        checkpoint.load_weights(options.donor, donor)
        learnt = checkpoint.learnt_setting([options.mean, options.donor])
        images = read_crops(options.samples, options.count)
    except (OSError, RuntimeError) as error:
        print(f"graft: {error}", file=sys.stderr)
        return 1
    if not images:
        print(f"graft: no sample with a whole plant under {options.samples}.", file=sys.stderr)
        return 1
    mapped, explained = fitted_map(mean, donor, images)
    graft(mean, donor, mapped)
    made = {"weights": checkpoint.compact(mean.state_dict())}
    write_checkpoint(options.out, facts | made | {"settings": facts.get("settings", {}) | learnt})
    print(
        f"{options.out}: count of {options.donor.name}, {explained:.3f} of its features explained"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
