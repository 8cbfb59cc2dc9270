"""Meshes and truth points of a plant: where the leaves go, and that both move together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen.botany import grow
from training.plantgen.habit import FURLS, draw_habit
from training.plantgen.mesh import ball, box, join, sheet, tube, turn_about
from training.plantgen.plantparts import Leaf, Plant
from training.plantgen.shape import (
    BLADE_COLUMNS,
    BLADE_ROWS,
    TILES,
    PlantShape,
    build,
    laid_flat,
    width_profile,
    windblown,
)


def planted(stage_v: int = 5, seed: int = 3, **more: object) -> PlantShape:
    rng = np.random.default_rng(seed)
    return build(grow(rng, stage_v, **more), rng)


def leaf_of(shape: PlantShape, rank: int) -> Leaf:
    return shape.plant.leaves[rank - 1]


def blade_widths_mm(surface: np.ndarray) -> np.ndarray:
    """Width along the surface, (rows,), of a blade's points."""
    grid = surface.reshape(BLADE_ROWS, BLADE_COLUMNS, 3)
    return np.linalg.norm(np.diff(grid, axis=1), axis=2).sum(1)


# --- blades ---


def test_a_blade_is_as_long_as_its_leaf_says():
    shape = planted()
    for points in shape.points:
        length = np.linalg.norm(np.diff(points.midline, axis=0), axis=1).sum()
        expected = leaf_of(shape, points.rank).visible_length_mm
        assert length == pytest.approx(expected * leaf_of(shape, points.rank).torn_at, rel=0.01)


def test_a_blade_is_about_as_wide_as_its_leaf_says():
    # A trough's or a wave's surface is a little wider than flat, and a narrow blade's base clasps
    # the stalk a quarter of the way up; never narrower than 90 %.
    shape = planted(6)
    for points in shape.points:
        leaf = leaf_of(shape, points.rank)
        if leaf.collared and leaf.rank > 2 and leaf.torn_at == 1.0:
            widest = blade_widths_mm(points.surface)[BLADE_ROWS // 4 :].max()
            assert 0.9 * leaf.width_mm < widest < 1.8 * leaf.width_mm


def test_only_the_first_leaf_ends_rounded():
    # The rounded leaf is leaf 1 (R.L. Nielsen, Purdue Univ. 2019). An ellipse's end has 44 % of
    # its width at 90 % of its half length beyond the widest place; a point has far less.
    plant = grow(np.random.default_rng(1), 5)
    for leaf in plant.leaves:
        near_end = width_profile(leaf, np.array([0.97]))[0] / leaf.width_mm
        assert (near_end > 0.35) == (leaf.rank == 1)


@settings(derandomize=True, max_examples=80, deadline=None)
@given(seed=st.integers(0, 10_000), rank=st.integers(1, 6), share=st.floats(0, 1))
def test_width_stays_between_nothing_and_the_largest(seed, rank, share):
    leaf = grow(np.random.default_rng(seed), 5).leaves[rank - 1]
    width = width_profile(leaf, np.array([share, 1.0, leaf.widest_at]))
    assert 0 <= width[0] <= leaf.width_mm * (1 + 1e-9)
    assert width[1] == pytest.approx(0, abs=1e-6)
    assert width[2] == pytest.approx(leaf.width_mm)


def test_leaves_point_to_alternate_sides():
    # Leaves alternate at 180 degrees (CIMMYT): seen in the leaf plane, tips are left and right
    # in turn. A few twist back; most must not.
    alternate = []
    for seed in range(30):
        shape = planted(6, seed)
        sides = [
            np.sign(p.midline[20, 0] - p.exit[0]) for p in shape.points if p.collar is not None
        ]
        alternate += list(np.diff(sides) != 0)
    assert np.mean(alternate) > 0.95


def test_a_lost_leaf_has_neither_mesh_nor_points():
    shape = planted(6, lost=2)
    assert shape.points[0].rank == 3
    assert set(shape.blades.owner) == {points.rank for points in shape.points}


def test_a_torn_leaf_ends_where_it_is_torn():
    whole, torn = planted(5, 9), planted(5, 9, lower_status="torn")
    assert leaf_of(torn, 1).torn_at < 1.0
    assert np.linalg.norm(torn.points[0].midline[-1] - torn.points[0].midline[0]) < np.linalg.norm(
        whole.points[0].midline[-1] - whole.points[0].midline[0]
    )


# --- collars ---


@pytest.mark.parametrize("stage_v", [0, 1, 4, 9])
def test_truth_has_a_collar_for_every_collared_leaf_at_its_height(stage_v):
    shape = planted(stage_v)
    collars = {p.rank: p.collar for p in shape.points if p.collar is not None}
    assert sorted(collars) == list(range(1, stage_v + 1))
    for rank, collar in collars.items():
        assert collar[2] == pytest.approx(leaf_of(shape, rank).exit_height_mm, abs=1e-6)


def test_a_collar_lies_on_the_stalk_where_its_blade_leaves():
    shape = planted(6)
    for points in shape.points:
        if points.collar is None:
            continue
        leaf = leaf_of(shape, points.rank)
        gap = np.linalg.norm(points.collar - points.midline[0])
        assert gap < leaf.stalk_radius_mm * shape.plant.flatness
        near = shape.stalk.vertices - points.collar
        assert np.linalg.norm(near, axis=1).min() < 2.5 * leaf.stalk_radius_mm
        ring = points.collar_ring - points.collar_ring.mean(0)
        assert np.hypot(ring[:, 0] / shape.plant.flatness, ring[:, 1]) == pytest.approx(
            np.full(len(ring), 1.06 * leaf.stalk_radius_mm)
        )


def test_the_stalk_goes_on_below_the_soil():
    rng = np.random.default_rng(4)
    shape = build(grow(rng, 4), rng, below_mm=14.0)
    assert shape.stalk.vertices[:, 2].min() == pytest.approx(-14.0)


def test_each_leaf_has_its_own_texture_tile():
    shape = planted(8)
    for rank in {points.rank for points in shape.points}:
        faces = shape.blades.faces[shape.blades.owner == rank]
        u = shape.blades.uv[faces.ravel(), 0]
        assert (rank - 1) / TILES < u.min() < u.max() < rank / TILES


# --- moves: meshes and truth together ---


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    angle=st.floats(-3, 3),
    axis=st.sampled_from("xyz"),
    shift=st.tuples(*[st.floats(-500, 500)] * 3),
)
def test_a_rigid_move_moves_truth_and_mesh_alike(angle, axis, shift):
    shape = planted(3)
    turn = turn_about(axis, angle)
    moved = shape.through(lambda p: p @ turn.T + np.array(shift))
    assert np.linalg.det(turn) == pytest.approx(1.0)
    for before, after in zip(shape.points, moved.points, strict=True):
        assert after.tip == pytest.approx(turn @ before.tip + shift)
        distance = np.linalg.norm(moved.blades.vertices - after.tip, axis=1).min()
        assert distance == pytest.approx(
            np.linalg.norm(shape.blades.vertices - before.tip, axis=1).min(), abs=1e-6
        )
        if before.collar is not None:
            assert np.linalg.norm(after.collar - after.tip) == pytest.approx(
                np.linalg.norm(before.collar - before.tip)
            )


def test_tips_lie_on_their_blades():
    shape = planted(7)
    for points in shape.points:
        if leaf_of(shape, points.rank).torn_at == 1.0:
            assert np.linalg.norm(points.surface - points.tip, axis=1).min() < 3.0


def test_a_laid_plant_lies_on_its_board_and_keeps_its_heights():
    shape = planted(5)
    flat = laid_flat(shape, np.random.default_rng(1))
    assert flat.blades.vertices[:, 1].max() < 0  # the board is y = 0, the plant before it
    assert flat.blades.vertices[:, [0, 2]] == pytest.approx(shape.blades.vertices[:, [0, 2]])
    for before, after in zip(shape.points, flat.points, strict=True):
        assert after.tip[2] == before.tip[2]


def test_wind_bends_the_top_and_leaves_the_foot():
    shape = planted(5)
    bent = windblown(shape, np.random.default_rng(1), 0.1)
    shift = np.linalg.norm(bent.blades.vertices - shape.blades.vertices, axis=1)
    top = shape.blades.vertices[:, 2].max()
    height = shape.blades.vertices[:, 2]
    assert shift.max() == pytest.approx(0.1 * top, rel=1e-6)
    assert shift == pytest.approx(0.1 * top * (np.clip(height, 0, None) / top) ** 2)


# --- solids ---


def test_joined_meshes_keep_their_faces():
    grid = np.stack(np.meshgrid(np.arange(3.0), np.arange(4.0), [0.0]), -1).reshape(4, 3, 3)
    one = sheet(grid, (0, 0, 1, 1), 7)
    both = join([one, one.moved(one.vertices + 5)])
    assert len(both.faces) == 2 * len(one.faces) == 24
    assert both.vertices[both.faces[12:]] == pytest.approx(one.vertices[one.faces] + 5)


def test_a_tube_and_a_box_are_where_they_were_put():
    line = np.stack([np.zeros(5), np.zeros(5), np.linspace(0, 40, 5)], 1)
    mesh = tube(line, np.full(5, 3.0), (0, 0, 1, 1), 0, flatten=2.0)
    assert np.abs(mesh.vertices).max(0) == pytest.approx([6.0, 3.0, 40.0])
    crate = box(np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0]), 0)
    assert crate.vertices.min(0).tolist() == [1, 2, 3]
    assert crate.vertices.max(0).tolist() == [4, 5, 6]
    lump = ball(np.array([10.0, 0, 0]), np.full(3, 2.0), 0, np.random.default_rng(0))
    assert np.linalg.norm(lump.vertices.mean(0) - [10, 0, 0]) < 1.0


def test_nothing_joined_is_out_of_sight():
    assert np.abs(join([]).vertices).min() > 9e3


def test_a_plant_is_a_frozen_value():
    plant = grow(np.random.default_rng(0), 3)
    assert isinstance(plant, Plant)
    with pytest.raises(AttributeError):
        plant.stage_v = 4  # type: ignore[misc]


# --- whorl leaves ---


def test_a_whorl_leaf_that_unrolls_sooner_lies_open_nearer_to_its_rim():
    # How wide a blade shows from the front, a sixth of the way out: an open one shows more.
    shown = []
    for furl in (1.1, 0.3):
        plant = grow(np.random.default_rng(3), 4)
        leaves = tuple(replace(leaf, furl=furl) for leaf in plant.leaves)
        shape = build(replace(plant, leaves=leaves), np.random.default_rng(5))
        next_out = next(p for p in shape.points if p.rank == 5)
        grid = next_out.surface.reshape(BLADE_ROWS, BLADE_COLUMNS, 3)[BLADE_ROWS // 6]
        shown.append(float(np.linalg.norm(grid[-1] - grid[0])))
    assert shown[1] > 1.2 * shown[0]


def test_how_soon_whorl_leaves_unroll_moves_nothing_else_of_a_plant():
    # Its dice are its own, so that a seed's plant is otherwise what it was before.
    low, high = FURLS
    furls = [draw_habit(np.random.default_rng(seed)).whorl_furl for seed in range(40)]
    assert low <= min(furls) < 0.6 < 1.0 < max(furls) <= high
    one, two = np.random.default_rng(7), np.random.default_rng(7)
    draw_habit(one)
    drawn = [two.uniform(-0.2, 1.2), two.uniform(9, 34), two.uniform(3, 9), two.normal(18, 14)]
    drawn += [two.uniform(8, 42), two.normal(18, 18), two.uniform(0.05, 0.3), two.normal(0, 0.05)]
    assert len(drawn) == 8
    assert one.random() == two.random()


def test_a_whorl_leaf_stays_rolled_as_far_as_a_sheath_holds_it():
    # It comes out of the top collared leaf's sheath: nothing of it bulges through that.
    for seed in range(6):
        plant = grow(np.random.default_rng(seed), 5)
        leaves = tuple(replace(leaf, furl=FURLS[0]) for leaf in plant.leaves)
        shape = build(replace(plant, leaves=leaves), np.random.default_rng(5))
        rim = max(leaf.exit_height_mm for leaf in leaves if leaf.collared)
        for points in shape.points:
            leaf = leaves[points.rank - 1]
            if leaf.collared:
                continue
            grid = points.surface.reshape(BLADE_ROWS, BLADE_COLUMNS, 3)
            held = points.midline[:, 2] < rim - 0.5
            across = np.linalg.norm(grid[held] - grid[held].mean(1, keepdims=True), axis=2)
            assert not held.any() or across.max() < 2.1 * leaf.stalk_radius_mm
