"""Side by side: what one network and another say of the same photos.

Either as the whole tool reads them, each network with its calibration, or as the network alone
does on a crop round the plant, which takes seconds.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from collarvision.calibration import Calibration
from collarvision.network import MODEL_VARIABLE, STAGE_COUNT, load_network
from collarvision.photo import load_photo
from collarvision.photofile import PhotoError
from training.cases import Case, last_word, read_cases
from training.network import LOST
from training.scoring import read_jsonl
from training.views import READ_MARGIN


@dataclass(frozen=True)
class Said:
    """What is said of a photo: the stage, None where nothing was read, and if it's accepted."""

    stage: int | None
    accepted: bool = False


@contextmanager
def network_at(path: Path) -> Iterator[None]:
    """Let the run-time package use another network's file for a while."""
    before = os.environ.get(MODEL_VARIABLE)
    os.environ[MODEL_VARIABLE] = str(path)
    try:
        yield
    finally:
        if before is None:
            del os.environ[MODEL_VARIABLE]
        else:
            os.environ[MODEL_VARIABLE] = before


def said_by_tool(truth: Path, model: Path, calibration: Calibration) -> dict[str, Said]:
    """Read photos as `collarvision.reading` does; file to what is said."""
    with network_at(model):
        return {case.name: _said(case, calibration) for case in read_cases(truth)}


def _said(case: Case, calibration: Calibration) -> Said:
    got = last_word(case, calibration)
    if got.verdict.outcome == "rejected":
        return Said(None)
    return Said(got.belief.stage, got.verdict.outcome == "staged")


def said_by_network(truth: Path, model: Path, side: int) -> dict[str, Said]:
    """Ask the exported network alone on a crop round the plant: its count, and the leaves lost.

    Photos that can't be read or cropped are left out.
    """
    import cv2

    network = load_network(model)
    said: dict[str, Said] = {}
    for row in read_jsonl(truth):
        if row["plant_box_px"] is None:
            continue  # nothing says where to crop
        try:
            rgb = load_photo(truth.parent / row["file"]).rgb
        except PhotoError as error:
            print(f"left out {row['file']}: {error}", file=sys.stderr)
            continue
        x0, y0, x1, y1 = row["plant_box_px"]
        scale = side / (max(x1 - x0, y1 - y0) * (1 + 2 * READ_MARGIN))
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        # Averaged while shrinking, as in training and at run time; then only moved.
        area = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        small = cv2.resize(rgb, size, interpolation=area)
        move = [side / 2 - scale * (a + b) / 2 for a, b in ((x0, x1), (y0, y1))]
        crop = cv2.warpAffine(
            small,
            np.array([[1, 0, move[0]], [0, 1, move[1]]]),
            (side, side),
            borderValue=(114, 114, 114),
        )
        _, answers = network.run(crop)
        collars = int((answers[: STAGE_COUNT - 1] > 0).sum())
        said[row["file"]] = Said(collars + int(answers[LOST].argmax()))
    return said


def accepted_wrong(said: Mapping[str, Said], counted: Mapping[str, int]) -> tuple[int, int]:
    """How many photos are accepted, and how many of those with another stage than was counted."""
    accepted = [file for file, one in said.items() if one.accepted]
    return len(accepted), sum(said[file].stage != counted[file] for file in accepted)
