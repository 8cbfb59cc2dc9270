"""Height: a pinhole camera looks at a plant whose height is known.

Sources: the two height definitions (A. Hager, University of Illinois, 2012 and 2021; Manitoba
Agriculture); parallax of a pinhole camera, offset / (Z - offset), arithmetic (Z 1.0 m and 5 cm
give +5.3 %).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import cv2
import numpy as np
import pytest
from drawn_plants import draw
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision import arch
from collarvision import height as height_room
from collarvision.arch import Candidate, Shape, _tip_down
from collarvision.card import Scale
from collarvision.height import TOWARD_EXCESS_MM, Z_90, _interval, measure
from collarvision.leaftops import TOWARD_SCALE, LeafTops
from collarvision.network import BLADE, SOIL, STALK
from collarvision.parallax import (
    AZIMUTH_SD,
    FACING,
    REACH_PER_RISE,
    SoilLine,
    Stand,
    camera_place,
    leaf_depth,
    on_board,
    plant_offset,
    soil_line,
    stand,
    vertical_on_board,
)
from collarvision.parts import Parts, Point
from collarvision.plant import assemble

FOCAL_PX = 1000.0
CENTER_PX = (480.0, 640.0)
SOIL_MM = 330.0
"""The soil meets the board this far under the card's top edge."""


def view(tilt_deg=8.0, turn_deg=5.0, roll_deg=0.0, distance_mm=600.0, camera_high_mm=250.0):
    """A Scale for a camera `camera_high_mm` over the soil, and its projection function."""
    rotation = cv2.Rodrigues(np.deg2rad([tilt_deg, 0.0, 0.0]))[0]
    rotation = cv2.Rodrigues(np.deg2rad([0.0, 0.0, roll_deg]))[0] @ rotation
    rotation = rotation @ cv2.Rodrigues(np.deg2rad([0.0, turn_deg, 0.0]))[0]
    center = np.array([-60.0, SOIL_MM - camera_high_mm, -distance_mm])
    translation = -rotation @ center
    k = np.array([[FOCAL_PX, 0, CENTER_PX[0]], [0, FOCAL_PX, CENTER_PX[1]], [0, 0, 1.0]])
    homography = np.linalg.inv(k @ np.column_stack([rotation[:, 0], rotation[:, 1], translation]))

    def project(points):
        camera = np.asarray(points, dtype=float).reshape(-1, 3) @ rotation.T + translation
        image = camera @ k.T
        return image[:, :2] / image[:, 2:]

    corners = project([(0, 0, 0), (148, 0, 0), (148, 210, 0), (0, 210, 0)])
    scale = Scale(
        board_mm_from_px=homography,
        rotation=rotation,
        translation_mm=translation,
        focal_px=FOCAL_PX,
        focal_assumed=False,
        camera_center_px=CENTER_PX,
        corners_px=corners,
        markers_found=4,
        tilt_deg=float(np.hypot(tilt_deg, turn_deg)),
        relative_error=0.002,
    )
    return scale, project


def scene(
    height_mm=180.0, offset_mm=30.0, across_mm=50.0, soil_aslant_deg=0.0, toward_mm=0.0, **camera
):
    """Parts and plant of one drawn plant with its base and arch where the camera sees them."""
    scale, project = view(**camera)
    base_3d = np.array([-80.0, SOIL_MM, -offset_mm])
    away = (camera_place(scale) - base_3d) * [1, 0, 1]
    arch_3d = base_3d + np.array([across_mm, -height_mm, 0.0])
    arch_3d += toward_mm * away / np.linalg.norm(away)
    base, arch = project([base_3d, arch_3d])
    px = 1.6 * max(height_mm, 150.0) * FOCAL_PX / camera.get("distance_mm", 600.0) / 160
    affine = np.array([[px, 0, base[0] - 80 * px], [0, px, base[1] - 130 * px]])
    drawn = draw(4)
    columns, rows = np.meshgrid(np.arange(160), np.arange(160))
    cells = np.stack([columns.ravel(), rows.ravel()], 1) @ affine[:, :2].T + affine[:, 2]
    board = on_board(scale, cells)
    # A ray that would meet the board under its soil line meets the soil first.
    line = SOIL_MM + np.tan(np.deg2rad(soil_aslant_deg)) * (board[:, 0] - base_3d[0])
    classes = np.where(board[:, 1] > line, SOIL, 0).reshape(160, 160).astype(np.uint8)
    parts = replace(
        drawn.parts,
        classes=classes,
        photo_from_map=affine,
        px_per_map_px=float(px),
        base=Point(*base, 0.9),
        arch=Point(*arch, 0.9),
        collars=(),
        tips=(),
    )
    stalk = project([base_3d - np.array([0, h, 0]) for h in np.linspace(0, 60, 12)])
    drawn_plant = assemble(drawn.parts)
    # The drawn leaves lie elsewhere in the photo: only the network's arch is this plant's.
    leaves = tuple(replace(leaf, midline=np.empty((0, 2))) for leaf in drawn_plant.leaves)
    plant = replace(
        drawn_plant, leaves=leaves, base=parts.base, arch=parts.arch, stalk=stalk, laid=0.02
    )
    return parts, plant, scale


@settings(max_examples=60, deadline=None)
@given(
    st.floats(60, 700),
    st.floats(0, 60),
    st.floats(-150, 150),
    st.floats(-10, 25),
    st.floats(-20, 20),
    st.floats(-12, 12),
    st.floats(450, 1500),
)
def test_a_known_stand_gives_the_exact_height(high, offset, across, tilt, turn, roll, distance):
    scale, project = view(tilt, turn, roll, distance)
    base = np.array([-40.0, SOIL_MM, -offset])
    seen = project([base, base + np.array([across, -high, 0.0])])
    foot, top = on_board(scale, seen)
    standing = Stand(camera_place(scale), np.array([0.0, -1.0]), 0.0, offset, 0.0, True, 0.0)
    assert standing.height_mm(foot, top[None])[0] == pytest.approx(high, rel=1e-6)
    # Uncorrected, the board's scale reads offset / (Z - offset) too tall.
    uncorrected = float((top - foot) @ standing.up)
    assert uncorrected / high - 1 == pytest.approx(offset / (distance - offset), rel=1e-6, abs=1e-9)


def test_the_worked_parallax_of_the_formula():
    # Z 1.0 m, offset 5 cm: +5.3 % (arithmetic on the pinhole formula).
    scale, project = view(distance_mm=1000.0)
    base = np.array([0.0, SOIL_MM, -50.0])
    foot, top = on_board(scale, project([base, base - np.array([0, 300.0, 0])]))
    assert float(foot[1] - top[1]) / 300.0 - 1 == pytest.approx(0.0526, abs=5e-4)


def test_a_leaning_board_is_allowed_for():
    scale, project = view(camera_high_mm=600.0)
    lean = np.deg2rad(4.0)
    # The board leans back: the plumb line runs away from it, towards the camera.
    plumb = np.array([0.0, -np.cos(lean), -np.sin(lean)])
    base = np.array([-40.0, SOIL_MM, -20.0])
    foot, top = on_board(scale, project([base, base + 300.0 * plumb]))
    standing = Stand(camera_place(scale), np.array([0.0, -1.0]), 0.0, 20.0, 0.0, True, lean)
    assert standing.height_mm(foot, top[None])[0] == pytest.approx(300.0, rel=1e-6)
    upright = replace(standing, lean=0.0)
    assert abs(upright.height_mm(foot, top[None])[0] - 300.0) > 3.0


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 60), st.floats(150, 500), st.floats(450, 900))
def test_similar_triangles_find_the_offset(offset, camera_high, distance):
    scale, project = view(distance_mm=distance, camera_high_mm=camera_high, tilt_deg=10.0)
    foot = on_board(scale, project([(-40.0, SOIL_MM, -offset)]))[0]
    line = SoilLine(np.array([0.0, SOIL_MM]), np.array([1.0, 0.0]), 0.01, 0.0)
    found, sd, seen = plant_offset(camera_place(scale), foot, line, np.array([0.0, -1.0]))
    assert seen
    assert 0 < sd < 22.0
    # Two normal opinions: what is left of the prior's variance is the prior's share of the mean.
    share = (sd / 22.0) ** 2
    assert found == pytest.approx((1 - share) * offset + share * 33.0, abs=0.01)


@pytest.mark.parametrize(
    ("away", "rise", "offset"), [(60, 80, 20), (20, 90, 30), (150, 140, 10), (100, 60, 60)]
)
def test_the_depth_of_an_arch_agrees_with_leaves_drawn_at_random(away, rise, offset):
    """Two million leaves with the stated spreads; those seen about as far out as this one."""
    rng = np.random.default_rng(1)
    n = 2_000_000
    turn = np.where(rng.random(n) < FACING, rng.uniform(-1.4, 1.4, n), rng.normal(0, AZIMUTH_SD, n))
    reach = rise * REACH_PER_RISE[0] * np.exp(rng.normal(0, REACH_PER_RISE[1], n))
    seen = reach * np.cos(turn)
    alike = (np.abs(np.log(np.maximum(seen, 1e-6) / away)) < 0.03) & (np.abs(turn) < 1.4)
    depth = np.maximum(reach * np.sin(turn), -offset)[alike]
    assert len(depth) > 300
    mean, spread = leaf_depth(away, offset, rise)
    assert mean == pytest.approx(depth.mean(), abs=0.12 * depth.std() + 1.0)
    assert spread == pytest.approx(depth.std(), rel=0.12, abs=1.0)


@given(st.floats(1, 300), st.floats(0, 70), st.floats(5, 400))
def test_leaves_do_not_pass_through_the_board(away, offset, rise):
    for known in (None, rise):
        mean, spread = leaf_depth(away, offset, known)
        assert mean > -offset - 1e-6
        assert spread > 0
        against = leaf_depth(away, 0.0, known)[0]
        assert against >= mean  # with no room behind it a leaf can only come forward


def test_an_arch_near_the_stalk_points_at_the_camera_or_away():
    seen_wide = leaf_depth(100.0, 30.0, 100.0)[1]
    seen_narrow = leaf_depth(15.0, 30.0, 100.0)[1]
    assert seen_narrow > 1.3 * seen_wide


def test_without_a_soil_line_the_prior_stands():
    found, sd, seen = plant_offset(np.array([0, 0, -600.0]), np.zeros(2), None, np.array([0, -1.0]))
    assert (found, sd, seen) == (33.0, 22.0, False)


@settings(max_examples=25, deadline=None)
@given(
    st.floats(90, 400), st.floats(5, 55), st.floats(-60, 60), st.floats(-6, 6), st.floats(450, 900)
)
def test_the_height_of_a_plant_is_recovered(high, offset, across, roll, distance):
    parts, plant, scale = scene(high, offset, across, roll_deg=roll, distance_mm=distance)
    # Only this arch is drawn: which leaf governs isn't what is in doubt here.
    with mock.patch.object(arch, "SHARE_POWER", 4.0):
        got = measure(parts, plant, scale, interval_factor=1.0)
    assert got.basis == "arch"
    uncorrected = got.uncorrected_mm / high - 1
    # The drawn arch is in the stalk's plane; its expected place is a little before it.
    assert abs(got.height_mm / high - 1) < 0.045
    low, top = got.interval_mm
    assert low <= high <= top
    assert top - low < 0.35 * high + 15.0
    if offset > 40:
        assert abs(got.height_mm / high - 1) < abs(uncorrected)


def test_height_within_one_percent_where_the_view_is_good():
    for offset in (10.0, 25.0, 45.0):
        parts, plant, scale = scene(200.0, offset, 20.0, camera_high_mm=350.0, tilt_deg=18.0)
        got = measure(parts, plant, scale, interval_factor=1.0)
        assert got.height_mm == pytest.approx(200.0, rel=0.012)


@pytest.mark.parametrize("toward", [-25.0, 40.0, 110.0])
def test_an_arch_that_is_told_to_stand_nearer_is_measured_there(toward):
    parts, plant, scale = scene(
        240.0, 30.0, 0.0, toward_mm=toward, camera_high_mm=420.0, distance_mm=700.0
    )
    unseen = measure(parts, plant, scale)
    px_per_mm = 1 / (scale.mm_per_px_at(plant.base.x, plant.base.y) * (1 - 30.0 / 700.0))
    told = (toward + TOWARD_EXCESS_MM) * px_per_mm / (parts.px_per_map_px * TOWARD_SCALE)
    values = np.full((4, 160, 160), -2.0, np.float16)
    values[0] = told
    seen = replace(parts, tops=LeafTops(values, parts.photo_from_map))
    got = measure(seen, plant, scale)
    assert got.height_mm == pytest.approx(240.0, rel=0.025)  # a lean is assumed of the board
    assert abs(got.height_mm - 240.0) < 0.5 * abs(unseen.height_mm - 240.0)
    # What is told more surely narrows the interval.
    values = values.copy()
    values[1] = -4.0
    surer = measure(replace(parts, tops=LeafTops(values, parts.photo_from_map)), plant, scale)
    assert np.ptp(surer.interval_mm) < np.ptp(got.interval_mm)


def test_a_crooked_card_does_not_tilt_the_height():
    parts, plant, scale = scene(200.0, 25.0, 90.0)
    turn = np.deg2rad(8.0)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    crooked = replace(
        scale,
        board_mm_from_px=spin @ scale.board_mm_from_px,
        rotation=scale.rotation @ spin.T,
    )
    straight = measure(parts, plant, scale).height_mm
    # Taken along the card's own side the height would be off by tan(8 deg) * 90 mm = 12.6 mm.
    assert abs(measure(parts, plant, crooked).height_mm - straight) < 4.5


def test_the_vertical_is_the_soils_normal_when_all_else_is_unsure():
    parts, plant, scale = scene(200.0, 25.0)
    line = soil_line(parts, scale, plant.base)
    np.testing.assert_allclose(line.direction, (1.0, 0.0), atol=0.02)
    up, sd = vertical_on_board(scale, line, None)
    np.testing.assert_allclose(up, (0.0, -1.0), atol=0.01)
    assert 0 < sd < np.deg2rad(3.0)


def test_where_no_two_signs_agree_the_camera_is_believed():
    parts, plant, scale = scene(200.0, 25.0)
    line = soil_line(parts, scale, plant.base)
    level = line.direction
    for turn in (40.0, 60.0, 120.0):
        cos, sin = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
        steep = replace(line, direction=np.array([[cos, -sin], [sin, cos]]) @ level)
        up, sd = vertical_on_board(scale, steep, None)
        assert np.hypot(*up) == pytest.approx(1.0)
        assert up @ (0.0, -1.0) > np.cos(np.deg2rad(25.0))
        assert 0 < sd < np.deg2rad(10.0)


def test_nothing_arches_gives_the_free_standing_height():
    drawn = draw(0, whorl=2)
    parts, _, scale = scene(200.0, 25.0)
    parts = replace(
        drawn.parts, photo_from_map=parts.photo_from_map, px_per_map_px=parts.px_per_map_px
    )
    moved = lambda p: replace(p, **dict(zip("xy", _move(drawn.parts, parts, p), strict=True)))  # noqa: E731
    tips = tuple(
        replace(moved(t), collar_x=_move(drawn.parts, parts, (t.collar_x, t.collar_y))[0],
                collar_y=_move(drawn.parts, parts, (t.collar_x, t.collar_y))[1])
        for t in drawn.parts.tips
    )  # fmt: skip
    parts = replace(parts, base=moved(parts.base), arch=None, tips=tips)
    got = measure(parts, assemble(parts), scale)
    assert got.basis == "free-standing"
    assert got.arch[1] <= min(t.y for t in parts.tips) + 2 * parts.px_per_map_px


@pytest.mark.parametrize(("gap_cells", "reached"), [(0, True), (6, False)])
def test_a_leaf_whose_tip_was_not_found_still_makes_the_plant_as_high(gap_cells, reached):
    parts, plant, scale = scene(200.0, 25.0)
    foot, top = (np.array([point]) for point in (plant.stalk[0], plant.stalk[-1]))
    to_cell = lambda at: np.round((at - parts.photo_from_map[:, 2]) / parts.px_per_map_px)  # noqa: E731
    (column, low), (_, stalk_top) = to_cell(foot)[0].astype(int), to_cell(top)[0].astype(int)
    classes = parts.classes.copy()
    classes[stalk_top : low + 1, column] = STALK
    end = stalk_top - gap_cells
    classes[end - 20 : end, column] = BLADE  # a leaf over the stalk, or something behind the plant
    leaves = tuple(replace(leaf, tip=None) for leaf in plant.leaves)
    parts, plant = replace(parts, classes=classes), replace(plant, arch=None, leaves=leaves)
    got = measure(parts, plant, scale)
    assert got.basis == "free-standing"
    row = float(to_cell(np.array([got.arch]))[0, 1])
    assert row == pytest.approx(end - 20 if reached else stalk_top, abs=1.0)


def _move(before: Parts, after: Parts, point) -> tuple[float, float]:
    x, y = (point.x, point.y) if hasattr(point, "x") else point
    cell = (np.array([x, y]) - before.photo_from_map[:, 2]) / before.px_per_map_px
    moved = cell * after.px_per_map_px + after.photo_from_map[:, 2]
    return float(moved[0]), float(moved[1])


def test_a_laid_plant_is_measured_along_its_stalk():
    drawn = draw(4, angle_deg=90.0)
    scale, _ = view(tilt_deg=0.0, turn_deg=0.0)
    plant = assemble(drawn.parts)
    got = measure(drawn.parts, plant, scale)
    assert got.basis == "along-stalk"
    up = plant.stalk[-1] - plant.stalk[0]
    reach = (np.array(got.arch) - got.soil) @ (up / np.hypot(*up))
    mm = scale.mm_per_px_at(*got.soil)
    assert got.height_mm == pytest.approx(reach * mm, rel=0.03)


def test_a_laid_plant_without_an_arch_has_a_wider_interval_than_its_measurement(monkeypatch):
    drawn = draw(4, angle_deg=90.0)
    scale, _ = view(tilt_deg=0.0, turn_deg=0.0)
    plant = assemble(drawn.parts)

    def width(found):
        monkeypatch.setattr(height_room, "governing", lambda *_: [Candidate(found, 1.0)])
        got = measure(drawn.parts, plant, scale, interval_factor=1.0)
        return (got.interval_mm[1] - got.interval_mm[0]) / got.height_mm

    top = measure(drawn.parts, plant, scale).arch
    bare = width(None)
    assert bare > 2 * height_room.Z_90 * height_room.LAID_TOP_ERROR
    assert width(top) < 0.8 * bare


def test_a_tip_down_height_knows_that_another_leaf_may_govern():
    def shape(place, y, arches):
        midline = np.array([[50.0, 300.0], [60.0, y], [90.0, y + 30.0]])
        leaf = SimpleNamespace(midline=midline, rank=place)
        return Shape(leaf, place, 200.0, (60.0, y), arches, 0.9, True, 0.9)

    bare = SimpleNamespace(arch=None, other_arches=())
    found = _tip_down(bare, [shape(1, 140.0, 0.9), shape(2, 100.0, 0.55)])
    assert [one.point for one in found[:2]] == [(60.0, 100.0), (60.0, 140.0)]
    assert found[0].share > found[1].share > 0.25
    doubtful = _tip_down(bare, [shape(1, 140.0, 0.9), shape(2, 100.0, 0.2)])
    assert doubtful[0].point == (60.0, 140.0)
    assert _tip_down(bare, [])[0].point is None


def test_tip_down_takes_the_uppermost_leaf_whose_tip_points_down():
    drawn = draw(5, whorl=2)
    scale, _ = view()
    plant = assemble(drawn.parts)
    got = measure(drawn.parts, plant, scale, "tip-down")
    assert got.rule == "tip-down"
    fifth = plant.leaves[4]
    top = fifth.midline[fifth.midline[:, 1].argmin()]
    # The blade is drawn three cells wide: its upper edge is within three cells of its midline.
    assert np.hypot(got.arch[0] - top[0], got.arch[1] - top[1]) < 4 * drawn.parts.px_per_map_px


def test_an_unknown_rule_is_named():
    parts, plant, scale = scene()
    with pytest.raises(ValueError, match="half-out, tip-down"):
        measure(parts, plant, scale, "tallest")


def test_no_base_no_height():
    parts, plant, scale = scene()
    assert measure(parts, replace(plant, base=None), scale) is None


def test_the_soil_line_needs_soil():
    parts, plant, scale = scene()
    bare = replace(parts, classes=np.zeros_like(parts.classes))
    assert soil_line(bare, scale, plant.base) is None
    standing = stand(bare, scale, plant.base, plant.stalk, laid=False)
    assert not standing.offset_seen
    with_line = measure(parts, plant, scale)
    without = measure(bare, plant, scale)
    width = lambda height: height.interval_mm[1] - height.interval_mm[0]  # noqa: E731
    assert width(without) > width(with_line)


def test_a_rival_leaf_widens_the_interval():
    parts, plant, scale = scene(200.0, 25.0)
    sure = measure(parts, plant, scale)
    rival = Point(plant.arch.x + 40, plant.arch.y + 80, 0.7)
    unsure = measure(parts, replace(plant, other_arches=(rival,)), scale)
    assert unsure.height_mm == sure.height_mm
    assert unsure.interval_mm[0] < sure.interval_mm[0] - 5.0


@given(
    height=st.floats(50, 800),
    sd=st.floats(1, 20),
    lower=st.floats(0.2, 0.9),
    share=st.floats(0.15, 0.6),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_lower_rival_reaches_down_and_not_up(height, sd, lower, share):
    low, high = _interval(height, sd, [(height, 1 - share), (height * lower, share)])
    assert low <= height * lower + 2 * sd  # the rival lies within, or nearly
    assert height + Z_90 * sd - 1e-6 <= high <= height + 2.2 * sd


def test_one_leaf_gives_the_normal_interval():
    """5 % and 95 % points of a normal distribution lie 1.645 sd from its mean (any table of it)."""
    low, high = _interval(200.0, 10.0, [(200.0, 1.0)])
    assert low == pytest.approx(200 - 16.45, abs=0.1)
    assert high == pytest.approx(200 + 16.45, abs=0.1)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.02, 1.0), min_size=1, max_size=5), st.randoms())
def test_the_height_is_the_weighted_median_of_the_leaves_that_may_govern(weights, random):
    parts, plant, scale = scene()
    x, y = plant.base.x, plant.base.y
    shares = np.array(weights) / sum(weights)
    rises = random.sample(range(40, 400, 20), len(shares))
    candidates = [
        arch.Candidate((x, y - rise), float(share))
        for share, rise in sorted(zip(shares, rises, strict=True), reverse=True)
    ]
    with mock.patch("collarvision.height.governing", return_value=candidates):
        height = measure(parts, plant, scale)
    at = next(c for c in candidates if c.point == height.arch)
    # The shares are flattened for the interval; the leaf is chosen by what they were before.
    full = {c.point: c.share ** (1 / arch.SHARE_POWER) for c in candidates}
    lower = sum(share for point, share in full.items() if point[1] > at.point[1])
    higher = sum(share for point, share in full.items() if point[1] < at.point[1])
    assert lower <= 0.5 * sum(full.values()) + 1e-9
    assert higher <= 0.5 * sum(full.values()) + 1e-9
    if full[candidates[0].point] > 0.5 * sum(full.values()) + 1e-9:
        assert at is candidates[0]


def test_a_whorl_leaf_numbered_far_above_is_hardly_out():
    below = [(3.0, 200.0), (4.0, 260.0)]
    next_one = arch._out(5.1, 240.0, below)
    assert next_one > 0.8
    assert arch._out(6.9, 240.0, below) < next_one - 0.3
    assert arch._out(4.2, 200.0, [(4.0, 260.0)]) == 0.5  # another finding of that leaf
