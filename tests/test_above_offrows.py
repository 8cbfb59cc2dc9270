"""Plants off the straight rows found: twin, end and curved rows are counted whole, and said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drawn_field import FixedNetwork, Planted, draw, height_for, jpeg, plant, seen_maps

from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.frames import read_frame
from collarvision.above.offrows import off_rows_share
from collarvision.above.rowline import Line
from collarvision.above.rows import RowsFound
from collarvision.above.scale import Stated
from collarvision.above.values import FrameAbove
from collarvision.abovereport.words import tell_field
from collarvision.photo import load_photo

CALIBRATION = AboveCalibration()
WIDE, TALL, MM = 2400, 1800, 3.0
WIDE_M, TALL_M = WIDE * MM / 1000, TALL * MM / 1000
ROWS_M, STEP_M = 0.762, 0.166
OFFSETS = np.arange(-10, 10, ROWS_M)


def straight(offsets: np.ndarray, step_m: float, angle_deg: float = 0.0) -> np.ndarray:
    """Plants (n, 2) m in rows so far from the middle."""
    rng = np.random.default_rng(0)
    rows = []
    for off in offsets:
        along = np.arange(-10 + rng.uniform(0, step_m), 10, step_m)
        rows.append(np.column_stack([along, np.full(len(along), off)]))
    plants = np.concatenate(rows)
    a = math.radians(angle_deg)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    return (plants + rng.normal(0, 0.012, plants.shape)) @ turn


def twin() -> np.ndarray:
    return straight(np.sort(np.concatenate([OFFSETS - 0.1, OFFSETS + 0.1])), 2 * STEP_M, 20.0)


def ends() -> np.ndarray:
    main, end = straight(OFFSETS, STEP_M), straight(OFFSETS, STEP_M, 90.0)
    return np.vstack([main[main[:, 0] > -0.6], end[end[:, 0] < -1.0]])


def curved(radius_m: float) -> np.ndarray:
    rng = np.random.default_rng(0)
    rows = []
    for around in np.arange(radius_m - 8, radius_m + 8, ROWS_M):
        turn = np.arange(-1.4, 1.4, STEP_M / around)
        rows.append(around * np.column_stack([np.sin(turn), np.cos(turn)]) - [0.0, radius_m])
    plants = np.concatenate(rows)
    return plants + rng.normal(0, 0.012, plants.shape)


def seen(at: np.ndarray) -> Planted:
    """The plants that the photo shows."""
    at = at[(np.abs(at) < (WIDE_M / 2, TALL_M / 2)).all(1)]
    turn = 2 * np.pi * np.arange(5) / 5
    tips = [one + 0.045 * np.column_stack([np.cos(turn), np.sin(turn)]) for one in at]
    return Planted(at[:, 0], at[:, 1], np.zeros(len(at), int), tips, ROWS_M, STEP_M, 0.0, 0, 0)


def read(field: Planted, wide: int = WIDE, tall: int = TALL, **stated: float) -> FrameAbove:
    rgb = draw(field, wide, tall, MM)
    notes = {"AboveGroundAltitude": height_for(MM, wide, tall), "GimbalPitchDegree": -90.0}
    maps = seen_maps(field, wide, tall, MM)
    photo = load_photo(jpeg(rgb, **notes), "rows.jpg")
    return read_frame(photo, FixedNetwork(maps), CALIBRATION, Stated(**stated))


@pytest.mark.parametrize(
    ("plants", "stated"),
    [(twin(), {"row_spacing_m": ROWS_M}), (ends(), {}), (curved(16.0), {}), (curved(30.0), {})],
    ids=["twin", "end", "curved", "wide-curve"],
)
def test_rows_that_are_not_straight_lines_are_counted_whole_and_said(
    plants: np.ndarray, stated: dict[str, float]
) -> None:
    field = seen(plants)
    frame = read(field, **stated)
    assert "off-rows" in frame.quality
    assert any("stand off the rows found (twin, end or" in reason for reason in frame.reasons)
    assert frame.gaps == ()
    assert frame.plants is not None
    off = float((frame.plants.row < 0).mean())
    assert frame.stand is not None
    planted = len(field.x) / (WIDE_M * TALL_M) * 10_000
    assert frame.stand.per_ha == pytest.approx(planted, rel=0.03)
    assert frame.stand.per_ha_interval is not None
    low, high = frame.stand.per_ha_interval
    assert math.log(high / low) / 2 > 1.6 * off
    assert frame.stand.per_m_row == pytest.approx(planted / 10_000 * ROWS_M, rel=0.06)
    assert frame.stages is not None
    told = " ".join(tell_field(gather_field([frame], CALIBRATION), us=True).split())
    assert "gaps aren't told" in told
    assert "No gap" not in told


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("metres", [(3.2, 2.4), (WIDE_M, TALL_M)])
def test_straight_fields_with_doubles_gaps_and_weeds_are_counted_by_their_rows(
    seed: int, metres: tuple[float, float]
) -> None:
    wide, tall = (round(1000 * one / MM) for one in metres)
    field = plant(*metres, missing=0.2, doubled=0.2, angle_deg=40.0 * seed, seed=seed)
    strays = round(0.1 * len(field.x))
    field = plant(
        *metres, missing=0.2, doubled=0.2, strays=strays, angle_deg=40.0 * seed, seed=seed
    )
    frame = read(field, wide, tall)
    assert "off-rows" not in frame.quality
    assert frame.gaps


def test_a_few_plants_off_the_rows_may_be_chance() -> None:
    def share(on: int, off: int, edge: int = 0) -> float:
        line = Line(np.arange(on), np.arange(on), np.zeros(2), np.ones(2), 0.0, 1.0, np.arange(on))
        whole = np.arange(on + off + edge) < on + off
        return off_rows_share(RowsFound(0.0, ROWS_M, (line,)), whole)

    assert share(0, 0, edge=4) == 0.0
    assert share(17, 3, edge=9) == 0.0
    assert share(170, 30) == pytest.approx(0.15)


def test_lines_that_are_no_rows_tell_no_length_of_row() -> None:
    frame = read(seen(curved(15.0)))
    assert "off-rows" in frame.quality
    assert not {"odd-rows", "no-rows"} & set(frame.quality)
    assert frame.stand is None
    told = " ".join(tell_field(gather_field([frame], CALIBRATION), us=True).split())
    assert "Plants About 3" in told
