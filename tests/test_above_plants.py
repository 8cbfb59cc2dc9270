"""Plants, tips, rows and stand, from maps drawn of a field whose truth is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from drawn_field import (
    TIP_COUNT,
    Planted,
    draw,
    maps_of,
    plant,
    working_px,
    write_above_stand_in,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from collarvision.above import network as above_network
from collarvision.above.calibration import AboveCalibration
from collarvision.above.coverage import Coverage
from collarvision.above.finding import Found, find_plants, join, nothing_found
from collarvision.above.network import (
    ABOVE_MODEL_VARIABLE,
    CELL_PX,
    WORKING_MM,
    Maps,
    NoAboveNetwork,
    load_above_network,
)
from collarvision.above.rows import find_rows
from collarvision.above.stand import count_stand
from collarvision.above.values import SQUARE_M_PER_ACRE
from collarvision.network import ModelError

CALIBRATION = AboveCalibration()
CELL_MM = CELL_PX * WORKING_MM


def mapped(field: Planted, width: int, height: int, **more: np.ndarray) -> Maps:
    return maps_of(*working_px(field, width, height), width, height, **more)


def square(width_m: float, height_m: float, cell_m: float = 0.05) -> Coverage:
    shape = round(height_m / cell_m), round(width_m / cell_m)
    return Coverage(np.ones(shape, bool), -width_m / 2, height_m / 2, cell_m)


# --------------------------------------------------------------------------- from maps to plants


def test_every_plant_is_found_where_it_stands_with_its_own_tips() -> None:
    width, height = 1200, 900
    field = plant(3.6, 2.7, doubled=0.1, seed=1)
    x, y, tips = working_px(field, width, height)
    count = np.random.default_rng(0).uniform(4, 9, len(x))
    maps = maps_of(x, y, tips, width, height, tip_count=count)
    found = find_plants(maps, CALIBRATION)
    assert len(found) == len(x)
    away, which = cKDTree(np.column_stack([x, y])).query(np.column_stack([found.x, found.y]))
    assert len(set(which)) == len(x)
    assert np.median(away) < 0.01  # working px of 3 mm
    assert away.max() < 2.0  # a double's peaks lean on each other
    apart = cKDTree(np.column_stack([x, y])).query(np.column_stack([x, y]), k=2)[0][:, 1]
    lone = apart[which] > 40  # a double's neighbour has a share in the cells about its peak
    assert found.tip_count[lone] == pytest.approx(count[which][lone], abs=0.01)
    own = np.concatenate([tips[w] for w in which[found.tip_owner]]).reshape(-1, 5, 2)
    places = np.column_stack([found.tip_x, found.tip_y])
    nearest = np.linalg.norm(own - places[:, None], axis=2).min(1)
    assert np.median(nearest) < 1.0
    assert (nearest < 4.0).mean() > 0.98
    assert len(found.tip_x) > 0.9 * 5 * len(x)


def test_leaf_area_goes_to_the_plant_along_its_leaves() -> None:
    """Two crossing plants of unlike size: each gets about the cells that were drawn for it."""
    x, y = np.array([200.0, 260.0]), np.array([200.0, 200.0])
    tips = [np.array([[120.0, 160.0], [120.0, 240.0]]), np.array([[290.0, 230.0]])]
    maps = maps_of(x, y, tips, 480, 400)
    alone = [
        find_plants(maps_of(x[k : k + 1], y[k : k + 1], tips[k : k + 1], 480, 400), CALIBRATION)
        for k in range(2)
    ]
    both = find_plants(maps, CALIBRATION)
    for k in range(2):
        assert both.canopy_mm2[k] == pytest.approx(alone[k].canopy_mm2[0], rel=0.15)
    assert both.canopy_mm2.sum() == pytest.approx((maps.canopy >= 0.5).sum() * CELL_MM**2, rel=0.01)


def test_lengths_and_areas_follow_the_working_scale() -> None:
    """The same maps at 3.6 mm a px: areas grow by 1.44, peaks 12 px apart are 43 mm apart."""
    maps = maps_of(np.array([200.0]), np.array([200.0]), [np.array([[120.0, 160.0]])], 480, 400)
    fine, coarse = (find_plants(maps, CALIBRATION, working_mm=mm) for mm in (3.0, 3.6))
    assert coarse.canopy_mm2[0] == pytest.approx(1.44 * fine.canopy_mm2[0])
    assert coarse.x[0] == fine.x[0]
    maps.plants[:] = 0.0
    maps.plants[20, 20], maps.plants[20, 23] = 0.8, 0.7
    strict = AboveCalibration(twins_mm=40.0)
    assert len(find_plants(maps, strict)) == 1
    assert len(find_plants(maps, strict, working_mm=3.6)) == 2


def test_canopy_far_from_every_plant_is_nobodys() -> None:
    maps = maps_of(np.array([100.0]), np.array([100.0]), [np.zeros((0, 2))], 400, 400)
    maps.canopy[60:70, 60:70] = 1.0
    maps.canopy[26:30, 26:30] = 1.0
    found = find_plants(maps, CALIBRATION)
    assert 0 < found.canopy_mm2[0] <= 16 * CELL_MM**2
    assert found.canopy_cells == 116


def test_weeds_are_left_out() -> None:
    weeds = np.array([[300.0, 300.0], [50.0, 80.0]])
    maps = maps_of(
        np.array([200.0]), np.array([200.0]), [np.array([[230.0, 200.0]])], 480, 400, weeds=weeds
    )
    found = find_plants(maps, CALIBRATION)
    assert len(found) == 1
    assert found.x[0] == pytest.approx(200.0, abs=1.0)
    assert found.other_cells > 20


def test_peaks_too_close_are_one_plant() -> None:
    heat = np.zeros((40, 40), np.float32)
    heat[10, 10], heat[10, 12], heat[30, 30] = 0.8, 0.9, 0.7
    zero = np.zeros_like(heat)
    maps = Maps(zero, heat, zero, np.zeros((2, 40, 40), np.float32), zero, zero, zero)
    found = find_plants(maps, CALIBRATION)
    assert sorted(found.score.round(2)) == [0.7, 0.9]
    assert len(find_plants(maps, AboveCalibration(plant_floor=0.95))) == 0


def test_cores_side_by_side_hold_every_plant_once() -> None:
    width, height = 1200, 900
    maps = mapped(plant(3.6, 2.7, seed=2), width, height)
    whole = find_plants(maps, CALIBRATION)
    parts = [
        find_plants(maps, CALIBRATION, core=core)
        for core in ((0, 0, 608, 900), (608, 0, 1200, 400), (608, 400, 1200, 900))
    ]
    joined = join(parts)
    assert sorted(joined.x) == pytest.approx(sorted(whole.x))
    assert joined.cells == whole.cells
    assert len(joined.tip_x) == len(whole.tip_x)
    back = {round(float(x), 3): k for k, x in enumerate(joined.x)}
    for k, x in enumerate(whole.x):
        mine = whole.tip_x[whole.tip_owner == k]
        same = joined.tip_x[joined.tip_owner == back[round(float(x), 3)]]
        assert sorted(mine) == pytest.approx(sorted(same))
    blind = find_plants(maps, CALIBRATION, seen=np.zeros(maps.shape, bool))
    assert (len(blind), blind.cells) == (0, 0)
    assert len(join([])) == 0


def test_no_tip_no_plant() -> None:
    zero = np.zeros((20, 30), np.float32)
    empty = Maps(zero, zero, zero, np.zeros((2, 20, 30), np.float32), zero, zero, zero)
    found = find_plants(empty, CALIBRATION)
    assert (len(found), found.cells) == (0, 600)
    assert isinstance(nothing_found().kept(np.zeros(0, bool)), Found)


# --------------------------------------------------------------------------- the network's tiles


@pytest.fixture(scope="module")
def above_model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("above") / "above.onnx"
    write_above_stand_in(path)
    return path


def test_tiles_join_without_a_seam(above_model: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(above_model))
    network = load_above_network()
    assert network is load_above_network()
    rng = np.random.default_rng(0)
    rgb = rng.integers(0, 255, (730, 1101, 3), dtype=np.uint8)
    steps = []

    def window(left: int, top: int, width: int, height: int) -> np.ndarray:
        assert 0 <= left < left + width <= 1101
        assert 0 <= top < top + height <= 730
        return rgb[top : top + height, left : left + width]

    whole = network.read(window, 1101, 730)
    monkeypatch.setattr(above_network, "TILE_PX", 416)
    tiled = network.read(window, 1101, 730, tell=lambda done, total: steps.append((done, total)))
    assert whole.shape == tiled.shape == (183, 276)
    for name in ("canopy", "plants", "tips", "other", "tip_count"):
        a, b = getattr(whole, name), getattr(tiled, name)
        assert np.abs(a - b)[:-1, :-1].max() < 1e-5
    assert steps[-1][0] == steps[-1][1] == len(steps) > 4
    assert tiled.tip_count.max() == pytest.approx(TIP_COUNT)


def test_a_drawn_field_is_counted_by_its_colours(
    above_model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(above_model))
    field = plant(2.4, 1.8, seed=5)
    rgb = draw(field, 800, 600, 3.0, weeds=10)
    maps = load_above_network().read(lambda x, y, w, h: rgb[y : y + h, x : x + w], 800, 600)
    found = find_plants(maps, CALIBRATION)
    assert len(found) == pytest.approx(len(field.x), abs=2)


def test_a_missing_or_foreign_network_is_said(
    tmp_path: Path, stand_in_model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(tmp_path / "none.onnx"))
    with pytest.raises(NoAboveNetwork, match="no network for photos from above"):
        load_above_network()
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"no network")
    for path, words in ((broken, "can't be read"), (stand_in_model, "another version")):
        monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(path))
        with pytest.raises(ModelError, match=words):
            load_above_network()


# --------------------------------------------------------------------------- rows


@pytest.mark.parametrize(
    ("size", "spacing", "angle", "strays"),
    [
        ((8.0, 5.0), 0.762, 13.0, 0),
        ((8.0, 5.0), 0.762, 13.0, 50),
        ((3.0, 2.0), 0.762, 90.0, 3),
        ((8.0, 5.0), 0.508, 0.4, 40),
        ((30.0, 20.0), 0.5, 170.0, 200),
    ],
)
def test_rows_are_found(
    size: tuple[float, float], spacing: float, angle: float, strays: int
) -> None:
    field = plant(*size, row_spacing_m=spacing, angle_deg=angle, strays=strays, seed=4)
    found = find_rows(np.column_stack([field.x, field.y]))
    assert found is not None
    turned = (found.angle_deg - angle + 90) % 180 - 90
    assert turned == pytest.approx(0.0, abs=0.8)
    assert found.spacing_m == pytest.approx(spacing, rel=0.03)
    on = np.full(len(field.x), -1)
    for number, line in enumerate(found.lines):
        assert (on[line.members] == -1).all()
        on[line.members] = number
    planted = field.row >= 0
    assert (on[planted] >= 0).mean() > 0.95
    if strays >= 40:
        # By chance a stray stands within 10 cm of a row: 0.2 m of every spacing.
        assert (on[~planted] >= 0).mean() < 0.2 / spacing + 0.15
    for line in found.lines:
        rows = field.row[line.members]
        main = np.bincount(rows[rows >= 0]).argmax()
        assert (rows == main).mean() > 0.75


def test_rows_bend_over_a_field() -> None:
    field = plant(60.0, 30.0, angle_deg=0.0, row_spacing_m=0.762, seed=1)
    bent = field.y + 0.0006 * field.x**2
    found = find_rows(np.column_stack([field.x, bent]))
    assert found is not None
    on = np.zeros(len(bent), bool)
    for line in found.lines:
        on[line.members] = True
    assert on.mean() > 0.97


def test_a_headland_has_its_own_direction() -> None:
    main = plant(30.0, 24.0, angle_deg=90.0, row_spacing_m=0.762, seed=1)
    head = plant(30.0, 12.0, angle_deg=0.0, row_spacing_m=0.762, seed=2)
    x = np.r_[main.x, head.x]
    y = np.r_[main.y, head.y + 18.5]
    found = find_rows(np.column_stack([x, y]))
    assert found is not None
    on = np.zeros(len(x), bool)
    for line in found.lines:
        on[line.members] = True
    assert on[: len(main.x)].mean() > 0.95
    assert on[len(main.x) :].mean() > 0.75


def test_no_rows_in_a_scatter_of_a_few() -> None:
    assert find_rows(np.zeros((0, 2))) is None
    assert find_rows(np.random.default_rng(0).uniform(0, 9, (5, 2))) is None
    assert find_rows(np.random.default_rng(0).uniform(0, 30, (12, 2))) is None


def test_one_row_has_no_spacing() -> None:
    x = np.arange(0, 4, 0.16)
    found = find_rows(np.column_stack([x, 0.01 * np.sin(9 * x)]))
    assert found is not None
    assert found.spacing_m is None
    stood = count_stand(found, np.zeros(len(x)), square(10, 4), scale_error=0.03, count_error=0.03)
    assert stood.stand is not None
    assert stood.stand.per_ha is None
    assert stood.stand.per_m_row == pytest.approx(1 / 0.16, rel=0.05)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 179.0), st.floats(0.4, 1.0), st.integers(0, 1000))
def test_rows_of_every_direction(angle: float, spacing: float, seed: int) -> None:
    field = plant(6.0, 5.0, row_spacing_m=spacing, angle_deg=angle, seed=seed)
    found = find_rows(np.column_stack([field.x, field.y]), spacing)
    assert found is not None
    assert found.spacing_m == pytest.approx(spacing, rel=0.04)


# --------------------------------------------------------------------------- stand


def test_counts_to_row_and_area_are_those_planted() -> None:
    """In 30-inch rows a thousandth of an acre is 17 ft 5 in, as every stand-count table has it."""
    field = plant(20.0, 15.0, row_spacing_m=0.762, missing=0.1, doubled=0.04, seed=3)
    points = np.column_stack([field.x, field.y])
    stood = count_stand(
        find_rows(points), np.zeros(len(points)), square(20, 15), scale_error=0.03, count_error=0.02
    )
    stand = stood.stand
    assert stand is not None
    per_ha = len(points) / 300 * 10_000
    assert stand.per_ha == pytest.approx(per_ha, rel=0.02)
    assert stand.per_acre == pytest.approx(per_ha * SQUARE_M_PER_ACRE / 10_000, rel=0.02)
    assert stand.per_m_row == pytest.approx(0.9 * 1.04 / 0.16, rel=0.03)
    assert stand.row_length_m == pytest.approx(300 / 0.762, rel=0.02)
    assert stand.spacing_m == pytest.approx(0.16, rel=0.03)
    assert stand.doubles == pytest.approx(field.doubled, rel=0.15)
    assert sum(gap.missing for gap in stood.gaps) == pytest.approx(field.missing, rel=0.15)
    low, high = stand.per_ha_interval or (0, 0)
    assert low < per_ha < high
    assert (high - low) / per_ha == pytest.approx(2 * 1.645 * np.hypot(0.06, 0.02), rel=0.05)
    of_rows = SQUARE_M_PER_ACRE / 1000 / (stand.row_spacing_m or 1) / 0.3048
    assert of_rows == pytest.approx(17 + 5 / 12, rel=0.01)
    assert np.isnan(stood.place_m[stood.row_of < 0]).all()
    stated = count_stand(
        find_rows(points, 0.762),
        np.zeros(len(points)),
        square(20, 15),
        scale_error=0.03,
        count_error=0.02,
        stated_spacing_m=0.762,
    ).stand
    assert stated is not None
    assert stated.row_spacing_m == 0.762
    narrow = stated.per_ha_interval or (0, 0)
    assert narrow[1] - narrow[0] < high - low


def test_two_plants_in_one_centre_count_as_two() -> None:
    field = plant(8.0, 6.0, missing=0.0, seed=3)
    points = np.column_stack([field.x, field.y])
    double = np.zeros(len(points))
    double[::10] = 1.0
    one, two = (
        count_stand(find_rows(points), p, square(8, 6), scale_error=0.03, count_error=0.02).stand
        for p in (np.zeros(len(points)), double)
    )
    assert one is not None
    assert two is not None
    assert two.plants == pytest.approx(1.1 * one.plants, rel=0.01)
    assert two.doubles == pytest.approx(0.1 * one.plants, rel=0.1)


def test_a_gap_lies_where_plants_are_missing() -> None:
    field = plant(9.0, 4.0, angle_deg=0.0, missing=0.0, seed=6)
    hole = (np.abs(field.x - 1.0) < 0.55) & (field.row == np.bincount(field.row).argmax())
    points = np.column_stack([field.x, field.y])[~hole]
    stood = count_stand(
        find_rows(points), np.zeros(len(points)), square(9, 4), scale_error=0.03, count_error=0.02
    )
    (gap,) = stood.gaps
    assert gap.missing == hole.sum()
    assert gap.start_m[0] < 0.5 < 1.5 < gap.end_m[0]
    assert gap.length_m == pytest.approx(gap.end_m[0] - gap.start_m[0], abs=0.01)


def test_a_stretch_full_of_leaves_is_no_gap() -> None:
    field = plant(9.0, 4.0, angle_deg=0.0, missing=0.0, seed=6)
    row = field.row == np.bincount(field.row).argmax()
    leafy, bare = row & (np.abs(field.x - 1.0) < 0.4), row & (np.abs(field.x + 2.0) < 0.4)
    points = np.column_stack([field.x, field.y])
    rest = points[~leafy & ~bare]
    stood = count_stand(
        find_rows(rest),
        np.zeros(len(rest)),
        square(9, 4),
        scale_error=0.03,
        count_error=0.02,
        leaf_share=lambda x, y: np.where(x > 0, 0.8, 0.05),
    )
    (gap,) = stood.gaps
    assert gap.end_m[0] < 0
    assert gap.missing == bare.sum()
    assert stood.hidden == leafy.sum()


def test_leaf_cover_is_kept_by_squares() -> None:
    width, height = 1200, 900
    maps = mapped(plant(3.6, 2.7, seed=2), width, height)
    whole = find_plants(maps, CALIBRATION)
    parts = join(
        [find_plants(maps, CALIBRATION, core=c) for c in ((0, 0, 608, 900), (608, 0, 1200, 900))]
    )
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0, width, 400), rng.uniform(0, height, 400)
    shares = whole.leaf_share(x, y)
    assert shares == pytest.approx(parts.leaf_share(x, y))
    cells = maps.canopy[(y / 4).astype(int), (x / 4).astype(int)] >= 0.5
    assert shares[cells].min() > 0
    assert np.isnan(whole.leaf_share(np.array([-5.0]), np.array([5.0]))[0])


def test_ground_that_was_not_looked_at_is_no_row() -> None:
    field = plant(8.0, 6.0, angle_deg=0.0, missing=0.0, seed=3)
    coverage = square(8, 6)
    coverage.mask[:, 60:100] = False
    there = coverage.holds(field.x, field.y)
    points = np.column_stack([field.x, field.y])[there]
    stood = count_stand(
        find_rows(points), np.zeros(len(points)), coverage, scale_error=0.03, count_error=0.02
    )
    assert stood.stand is not None
    assert stood.stand.row_length_m == pytest.approx(0.75 * 48 / 0.762, rel=0.05)
    assert stood.stand.per_m_row == pytest.approx(1 / 0.16, rel=0.04)
    assert sum(gap.missing for gap in stood.gaps) <= 4
    nowhere = square(8, 6)
    nowhere.mask[:] = False
    empty = count_stand(
        find_rows(points), np.zeros(len(points)), nowhere, scale_error=0.03, count_error=0.02
    )
    assert (empty.stand, empty.rows) == (None, ())
