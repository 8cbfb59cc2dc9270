"""Rowless ground: drowned halves and missed rows are told, full fields and photo edges aren't."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_field import FixedNetwork, Planted, draw, jpeg, level_notes, plant, seen_maps

from collarvision.above import rowless
from collarvision.above.calibration import AboveCalibration
from collarvision.above.coverage import Coverage
from collarvision.above.fields import gather_field
from collarvision.above.frames import read_frame
from collarvision.above.rows import find_rows
from collarvision.above.stand import count_stand
from collarvision.above.values import SQUARE_M_PER_ACRE, FrameAbove, StandCount
from collarvision.abovereport.words import tell_field
from collarvision.photo import load_photo

WIDE, TALL, MM = 3000, 2250, 3.0
SIZE = WIDE * MM / 1000, TALL * MM / 1000


def stand_of(field: Planted, size_m: tuple[float, float], kept: np.ndarray) -> StandCount:
    points = np.column_stack([field.x, field.y])[kept]
    wide, tall = size_m
    cell = 0.05 if wide < 10 else 0.25
    seen = np.ones((round(tall / cell), round(wide / cell)), bool)
    stood = count_stand(
        find_rows(points),
        np.zeros(len(points)),
        Coverage(seen, -wide / 2, tall / 2, cell),
        scale_error=0.02,
        count_error=0.05,
    )
    assert stood.stand is not None
    return stood.stand


@pytest.mark.parametrize("size_m", [(3.2, 2.4), (6.0, 4.0), (9.0, 6.75), (14.4, 12.0)])
def test_full_fields_have_rows_up_to_their_edges(size_m: tuple[float, float]) -> None:
    rng = np.random.default_rng(0)
    for seed in range(12):
        field = plant(
            *size_m,
            angle_deg=float(rng.uniform(0, 180)),
            row_spacing_m=float(rng.choice([0.508, 0.762])),
            missing=float(rng.choice([0.0, 0.25])),
            seed=seed,
        )
        assert stand_of(field, size_m, np.ones(len(field.x), bool)).rowless_share == 0.0


@pytest.mark.parametrize("size_m", [SIZE, (14.4, 12.0)])
@pytest.mark.parametrize("angle", [0.0, 12.0, 77.0])
def test_ground_without_rows_is_part_of_the_acre(size_m: tuple[float, float], angle: float) -> None:
    field = plant(*size_m, angle_deg=angle, missing=0.0, seed=3)
    rows = np.unique(field.row)
    middle = rows[len(rows) // 2]
    for kept in (field.y > 0, ~np.isin(field.row, [middle, middle + 1])):
        stand = stand_of(field, size_m, kept)
        assert stand.rowless_share > 0.08
        truth = kept.sum() / (size_m[0] * size_m[1]) * SQUARE_M_PER_ACRE
        assert stand.per_acre == pytest.approx(truth, rel=0.1)
        low, high = stand.per_acre_interval or (0.0, 0.0)
        assert low < truth < high


def test_a_large_mosaic_is_looked_at_square_by_square(monkeypatch: pytest.MonkeyPatch) -> None:
    size_m = 14.4, 12.0
    field = plant(*size_m, seed=3)
    whole = stand_of(field, size_m, field.y > 0).rowless_share
    monkeypatch.setattr(rowless, "_TILE", 50)
    assert stand_of(field, size_m, field.y > 0).rowless_share == pytest.approx(whole, abs=1e-6)


def read(field: Planted, leafy: bool = False) -> FrameAbove:
    notes = level_notes(MM, WIDE, TALL)
    photo = load_photo(jpeg(draw(field, WIDE, TALL, MM), **notes), "half.jpg")
    maps = seen_maps(field, WIDE, TALL, MM)
    if leafy:
        maps.canopy[maps.canopy.shape[0] // 2 :] = 1.0
    return read_frame(photo, FixedNetwork(maps), AboveCalibration())


def test_a_half_bare_photo_says_so() -> None:
    field = plant(*SIZE, angle_deg=90.0, missing=0.0, seed=8)
    kept = field.y > 0
    half = replace(
        field,
        x=field.x[kept],
        y=field.y[kept],
        row=field.row[kept],
        tips=[t for t, k in zip(field.tips, kept, strict=True) if k],
    )
    frame = read(half)
    assert "rowless" in frame.quality
    assert any("of the ground shown has no rows" in reason for reason in frame.reasons)
    told = " ".join(tell_field(gather_field([frame], AboveCalibration()), us=True).split())
    assert "over all the ground shown" in told
    assert "No gap. " not in told
    whole = read(field)
    assert "rowless" not in whole.quality
    # Leaves without a plant told apart are no bare ground.
    hidden = read(half, leafy=True)
    assert "rowless" not in hidden.quality
