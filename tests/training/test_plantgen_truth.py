"""Truth lines: known points projected, occlusion, the arch, heights, and windows that agree.

Part maps here are painted by a small rasteriser of the test's own, so that no renderer is needed.
"""

from __future__ import annotations

import functools
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision import arch
from training.plantgen import truth
from training.plantgen.botany import grow
from training.plantgen.camera import Camera, aim, focal_px_of
from training.plantgen.mesh import Mesh, box, speck
from training.plantgen.plantparts import Leaf
from training.plantgen.render import SHEATH_OWNER, Rendered, Window
from training.plantgen.shape import LeafPoints, PlantShape
from training.plantgen.stand import Stand, compose
from training.plantgen.wish import Wish


@functools.cache
def stand(seed: int, wish: Wish = Wish()) -> Stand:  # noqa: B008 - frozen
    return compose(np.random.default_rng([12, seed]), wish)


def paint(scene: Stand, window: Window, *, hidden_by: Mesh | None = None) -> Rendered:
    """Classes and distances of a window, far triangles first; ``hidden_by`` is background."""
    width = max(8, round(window.side_px[0] * window.scale))
    height = max(8, round(window.side_px[1] * window.scale))
    triangles, distances, values, owners = [], [], [], []
    for name, value in (("blades", 1), ("stalk", 2), ("box", 0)):
        mesh = hidden_by if name == "box" else scene.meshes[name]
        if mesh is None:
            continue
        pixels, _ = scene.camera.project(mesh.vertices)
        local = (pixels - [window.left_px, window.top_px]) * window.scale
        triangles.append(local[mesh.faces])
        distances.append(scene.camera.distance(mesh.vertices)[mesh.faces].mean(1))
        values.append(np.full(len(mesh.faces), value))
        owners.append((mesh.owner + (SHEATH_OWNER if name == "stalk" else 0)) * (value > 0))
    corners, distance = np.concatenate(triangles), np.concatenate(distances)
    value, owner = np.concatenate(values), np.concatenate(owners)
    part = np.zeros((height, width), np.int32)
    classes = np.zeros((height, width), np.uint8)
    depth = np.zeros((height, width), np.float32)
    for k in np.argsort(-distance):
        # cv2 has pixel centres at integers, in 16ths here.
        points = np.round((corners[k] - 0.5) * 16)
        if np.abs(points).max() > 2e5:
            continue
        outline = points.astype(np.int32)[None]
        cv2.fillPoly(classes, outline, int(value[k]), cv2.LINE_8, 4)
        cv2.fillPoly(part, outline, int(owner[k]), cv2.LINE_8, 4)
        cv2.fillPoly(depth, outline, float(distance[k]), cv2.LINE_8, 4)
    return Rendered(np.zeros((height, width, 3), np.float32), classes, part, depth, window)


def blank(window: Window) -> Rendered:
    """A window in which nothing is seen, for what hangs on geometry alone."""
    shape = tuple(max(8, round(side * window.scale)) for side in reversed(window.side_px))
    zero = np.zeros(shape, np.uint8)
    return Rendered(np.zeros((*shape, 3), np.float32), zero, zero, zero.astype(np.float32), window)


def described(scene: Stand, window: Window, view: str = "photo", **more: Mesh) -> dict:
    return truth.describe(scene, paint(scene, window, **more), "a.jpg", view)


def facing_camera(scene: Stand) -> Stand:
    """The scene seen level, straight from the front, 1 m away."""
    camera = Camera(
        np.array([0.0, -1000.0, 100.0]),
        aim(np.array([0.0, -1000.0, 100.0]), np.array([0.0, 0, 100]), np.array([0.0, 0, 1]), 0.0),
        1000.0, 960, 1280,
    )  # fmt: skip
    return replace(scene, camera=camera)


# --- points ---


def test_points_land_where_a_pinhole_puts_them():
    # By similar triangles: 1 px a mm at 1 m with a focal length of 1000 px.
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    row = described(scene, truth.whole_window(scene, 1280))
    assert row["base_xy"] == pytest.approx([480.0, 740.0])
    shape = scene.shapes[0]
    for collar, points in zip(row["collars_visible_in_image"], shape.points, strict=False):
        x, y, z = points.collar
        scale = 1000.0 / (1000.0 + y)
        assert (collar["x"], collar["y"]) == pytest.approx(
            (480 + x * scale, 640 + (100 - z) * scale)
        )


def test_every_collar_and_tip_has_a_line():
    for seed in range(5):
        scene = stand(seed)
        row = described(scene, truth.whole_window(scene, 400))
        plant = scene.shapes[0].plant
        there = [leaf for leaf in plant.leaves if leaf.status != "gone"]
        assert [t["rank"] for t in row["tips"]] == [leaf.rank for leaf in there]
        assert [c["rank"] for c in row["collars_visible_in_image"]] == [
            leaf.rank for leaf in there if leaf.collared
        ]
        for tip in row["tips"]:
            leaf = plant.leaves[tip["rank"] - 1]
            assert tip["has_collar"] == leaf.collared
            assert tip["rounded"] == (leaf.rank == 1 and leaf.torn_at == 1.0)
            if leaf.collared:
                collar = next(
                    c for c in row["collars_visible_in_image"] if c["rank"] == tip["rank"]
                )
                assert (tip["link_x"], tip["link_y"]) == (collar["x"], collar["y"])
        assert row["stage_v"] == plant.stage_v
        assert row["lower_leaves_missing"] == plant.lost
        assert json.loads(json.dumps(row)) == row


@settings(derandomize=True, max_examples=15, deadline=None)
@given(
    left=st.floats(-200, 400), top=st.floats(-200, 400), side=st.floats(200, 900),
    scale=st.floats(0.2, 0.6),
)  # fmt: skip
def test_crop_and_whole_photo_agree(left, top, side, scale):
    scene = stand(2, Wish(stage_v=5, card=True))
    window = Window(left, top, (side, side), scale)
    whole = truth.describe(scene, blank(Window(0, 0, (960.0, 1280.0), 1.0)), "a.jpg", "photo")
    crop = truth.describe(scene, blank(window), "a.jpg", "crop")

    def back(x: float, y: float) -> tuple[float, float]:
        return x / scale + left, y / scale + top

    for kind in ("tips", "collars_visible_in_image"):
        for ours, theirs in zip(crop[kind], whole[kind], strict=True):
            assert back(ours["x"], ours["y"]) == pytest.approx((theirs["x"], theirs["y"]))
    assert back(*crop["base_xy"]) == pytest.approx(whole["base_xy"])
    assert [*back(*crop["plant_box_px"][:2])] == pytest.approx(whole["plant_box_px"][:2])
    for ours, theirs in zip(crop["card"]["corners"], whole["card"]["corners"], strict=True):
        assert back(*ours) == pytest.approx(theirs, abs=0.02 / scale)  # written to 0.01 px
    assert crop["height_arch_mm"] == whole["height_arch_mm"]


def test_the_plants_window_holds_the_plant():
    for seed in range(6):
        scene = stand(seed)
        window = truth.plant_window(scene, np.random.default_rng(seed), 320)
        low, high = truth.plant_box_px(scene)
        assert round(window.side_px[0] * window.scale) == 320
        assert (low > [window.left_px, window.top_px]).all()
        assert (
            high < [window.left_px + window.side_px[0], window.top_px + window.side_px[1]]
        ).all()


@pytest.mark.parametrize("layout", ["standing", "laid"])
def test_a_window_on_the_foot_holds_it_low_and_never_outgrows_the_plant(layout):
    for seed in range(8):
        scene = compose(np.random.default_rng([5, seed]), Wish(layout=layout))
        window = truth.foot_window(scene, np.random.default_rng(seed), 320)
        low, high = truth.plant_box_px(scene)
        side = window.side_px[0]
        assert side <= max(40.0, 1.24 * float(max(high - low)) + 1e-6)
        turn = float(scene.label["stalk_turn_rad"]) if layout == "laid" else 0.0
        up_mm = np.array([np.sin(turn), 0.0, np.cos(turn)])
        foot, over = scene.camera.project(np.stack([np.zeros(3), 50.0 * up_mm]))[0]
        at = (foot - [window.left_px, window.top_px]) / side
        up = (over - foot) / np.linalg.norm(over - foot)
        # Below the middle, by what views that show three quarters of the window leave in.
        assert 0.04 < (np.array([0.5, 0.5]) - at) @ up < 0.25
        assert (np.abs(at - 0.5) < 0.375).all()
        side_mm = side * 50.0 / np.linalg.norm(over - foot)
        assert side_mm < truth.FOOT_WINDOW_MM[1] * 1.01


def test_card_corners_are_those_that_opencv_projects():
    scene = stand(2, Wish(stage_v=5, card=True))
    camera = scene.camera
    matrix = np.diag([camera.focal_px, camera.focal_px, 1.0])
    matrix[:2, 2] = camera.width_px / 2 - 0.5, camera.height_px / 2 - 0.5  # centres at integers
    corners, _ = cv2.projectPoints(
        scene.card_corners_mm, cv2.Rodrigues(camera.axes)[0], -camera.axes @ camera.position_mm,
        matrix, None,
    )  # fmt: skip
    row = described(scene, Window(0, 0, (960.0, 1280.0), 1.0))
    assert np.array(row["card"]["corners"]) == pytest.approx(corners[:, 0] + 0.5, abs=0.006)
    assert row["focal_eq_mm"] == pytest.approx(camera.focal_px * 43.27 / 1600, rel=1e-3)


def test_a_card_that_the_frame_cuts_is_not_present():
    scene = stand(2, Wish(stage_v=5, card=True))
    aside = Camera(
        scene.camera.position_mm + scene.card_corners_mm.mean(0) * [1, 0, 1],
        scene.camera.axes, focal_px_of(400, 960, 1280), 960, 1280,
    )  # fmt: skip
    row = described(replace(scene, camera=aside), Window(0, 0, (960.0, 1280.0), 0.3))
    assert row["card"]["present"] is False
    assert described(stand(2, Wish(card=False)), Window(0, 0, (960.0, 1280.0), 0.3))["card"] == {
        "present": False
    }


# --- what hides a point ---


def test_something_in_front_hides_a_collar_and_only_that_one():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing", lost=0)))
    window = Window(180.0, 340.0, (600.0, 600.0), 2.0)
    before = described(scene, window)
    seen = [c for c in before["collars_visible_in_image"] if not c["occluded"]]
    assert len(seen) >= 3
    target = seen[-1]
    points = next(p for p in scene.shapes[0].points if p.rank == target["rank"])
    toward = points.collar + 0.25 * (scene.camera.position_mm - points.collar)
    crate = box(toward - [9, 1, 4], toward + [9, 1, 4], 0)
    after = described(scene, window, hidden_by=crate)
    hidden = {c["rank"] for c in after["collars_visible_in_image"] if c["occluded"]}
    was_hidden = {c["rank"] for c in before["collars_visible_in_image"] if c["occluded"]}
    assert hidden - was_hidden == {target["rank"]}
    behind = points.collar + [0, 60.0, 0]
    crate = box(behind - [9, 1, 4], behind + [9, 1, 4], 0)
    unharmed = described(scene, window, hidden_by=crate)
    assert unharmed["collars_visible_in_image"] == before["collars_visible_in_image"]


def test_something_in_front_hides_a_tip_and_the_base():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing", lost=0)))
    window = Window(180.0, 340.0, (600.0, 600.0), 1.0)
    tip = next(t for t in described(scene, window)["tips"] if not t["occluded"])
    points = next(p for p in scene.shapes[0].points if p.rank == tip["rank"])
    for target in (points.tip, np.zeros(3)):
        toward = target + 0.1 * (scene.camera.position_mm - target)
        crate = box(toward - [30, 1, 30], toward + [30, 1, 30], 0)
        row = described(scene, window, hidden_by=crate)
        if target is points.tip:
            assert next(t for t in row["tips"] if t["rank"] == tip["rank"])["occluded"]
        else:
            assert row["base_occluded"]
    assert not described(scene, window)["base_occluded"]


def test_points_outside_of_the_window_are_occluded():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    row = described(scene, Window(0.0, 0.0, (50.0, 50.0), 1.0), "crop")
    assert all(c["occluded"] for c in row["collars_visible_in_image"])
    assert all(t["occluded"] for t in row["tips"])


# --- heights ---


def made_plant(*lines: tuple[float, float, float]) -> PlantShape:
    """A standing plant whose leaves are lines: (share out, top of the arch, tip) each, mm.

    The second is the top collared one.
    """
    plant = grow(np.random.default_rng(1), 2)
    leaves, points = [], []
    for rank, (emerged, top, tip) in enumerate(lines, 1):
        leaf: Leaf = replace(
            plant.leaves[0], rank=rank, emerged=emerged, length_mm=200.0, status="ok", torn_at=1.0
        )
        side = 1 if rank % 2 else -1
        midline = np.array([[0, 0, 10.0 * rank], [side * 50, 0, top], [side * 100, 0, tip]])
        leaves.append(leaf)
        points.append(
            LeafPoints(rank, None, None, midline[0], midline[2], midline[1:], midline, midline)
        )
    return PlantShape(replace(plant, leaves=tuple(leaves)), speck(), speck(), tuple(points))


@pytest.mark.parametrize(
    ("lines", "rank", "height_mm"),
    [
        # The uppermost leaf at least half out governs (A. Hager, Univ. of Illinois 2012) ...
        (((1, 120, 80), (1, 200, 150), (0.6, 260, 240)), 3, 260),
        (((1, 120, 80), (1, 200, 150), (0.4, 260, 240)), 2, 200),
        # ... if its tip points down (Manitoba Agriculture): one that stands up has no arch ...
        (((1, 120, 80), (1, 200, 150), (0.6, 260, 300)), 2, 200),
        # ... and neither has one whose tip is hardly lower than its top.
        (((1, 120, 80), (1, 200, 150), (0.6, 260, 254)), 2, 200),
        # A lower leaf that arches higher doesn't govern.
        (((1, 320, 80), (1, 200, 150)), 2, 200),
    ],
)
def test_the_arch_is_that_of_the_uppermost_leaf_that_hangs(lines, rank, height_mm):
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    scene = replace(scene, shapes=(made_plant(*lines),))
    row = described(scene, truth.whole_window(scene, 1280))
    assert (row["arch_rank"], row["height_arch_mm"]) == (rank, height_mm)
    side = 1 if rank % 2 else -1
    assert row["arch_xy"] == pytest.approx([480 + side * 50, 640 + 100 - height_mm])
    assert row["plant_top_mm"] == max(max(line[1:]) for line in lines)


def test_each_leaf_tells_its_top_and_how_far_that_stands_towards_the_camera():
    """The tops by the same lines as the arch, and their depth by hand for a camera on -y."""
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    shape = made_plant((1, 120, 80), (1, 200, 195), (0.4, 260, 200))
    nearer = shape.through(lambda p: p + np.where(p[:, :1] != 0, [[0.0, -30.0, 0.0]], 0.0))
    row = described(replace(scene, shapes=(nearer,)), truth.whole_window(scene, 1280))
    told = [(tip["arches"], tip["half_out"]) for tip in row["tips"]]
    assert told == [(True, True), (False, True), (True, False)]
    foot = scene.camera.project(np.zeros((2, 3)) + [[0, 0, 0], [1, 0, 0]])[0]
    px_per_mm = abs(foot[1, 0] - foot[0, 0])
    for tip, point in zip(row["tips"], ((50, 120), (-50, 200), (50, 260)), strict=True):
        at = scene.camera.project(np.array([[point[0], -30.0, point[1]]]))[0][0]
        assert (tip["top_x"], tip["top_y"]) == pytest.approx(tuple(at))
        assert tip["toward_px"] == pytest.approx(30.0 * px_per_mm, rel=1e-6)


def test_a_plant_with_no_hanging_leaf_has_no_arch():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    scene = replace(scene, shapes=(made_plant((1, 60, 90), (0.8, 100, 140)),))
    row = described(scene, truth.whole_window(scene, 300))
    assert row["arch_xy"] is row["arch_rank"] is row["height_arch_mm"] is None


def test_truth_and_reading_draw_the_same_lines():
    """The generator owes nothing to the package that it tests, so both say it; they must agree."""
    assert truth.GOVERNS_FROM == arch.GOVERNS_FROM
    assert (truth.LEAST_DROP_SHARE, truth.LEAST_DROP_MM) == (arch.LEAST_DROP, arch.LEAST_DROP_MM)


def test_a_withered_leaf_does_not_govern():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    shape = made_plant((1, 120, 80), (1, 200, 150), (1, 260, 210))
    dry = replace(shape.plant.leaves[2], status="withered")
    plant = replace(shape.plant, leaves=(*shape.plant.leaves[:2], dry))
    scene = replace(scene, shapes=(replace(shape, plant=plant),))
    assert described(scene, truth.whole_window(scene, 300))["arch_rank"] == 2


def test_a_leaf_that_hangs_at_the_foot_of_an_erect_plant_does_not_govern():
    scene = facing_camera(stand(1, Wish(stage_v=4, layout="standing")))
    shape = made_plant((1, 40, 20), (1, 160, 200), (1, 240, 300))
    assert shape.plant.stage_v == 2
    row = described(replace(scene, shapes=(shape,)), truth.whole_window(scene, 300))
    assert row["arch_rank"] is row["height_arch_mm"] is None


def test_collar_heights_are_those_of_botany_standing_and_laid():
    for layout in ("standing", "laid"):
        for seed in range(3):
            scene = stand(seed, Wish(stage_v=5, layout=layout))
            row = described(scene, truth.whole_window(scene, 300))
            plant = scene.shapes[0].plant
            for collar in row["collars_visible_in_image"]:
                height = plant.leaves[collar["rank"] - 1].exit_height_mm
                assert collar["height_mm"] == pytest.approx(height, abs=0.01)


def test_a_laid_plants_height_runs_along_its_stalk_however_it_is_turned():
    scene = stand(4, Wish(stage_v=6, layout="laid"))
    turn = float(scene.label["stalk_turn_rad"])
    assert abs(turn) > 0.05
    row = described(scene, truth.whole_window(scene, 300))
    unturned = np.array(
        [[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]]
    )
    tops = [(p.surface @ unturned.T)[:, 2].max() for p in scene.shapes[0].points]
    assert row["plant_top_mm"] == pytest.approx(max(tops))
    assert row["height_arch_mm"] is None or row["height_arch_mm"] <= max(tops) + 1e-6


# --- usable or not ---


def test_without_maize_there_is_nothing_to_stage():
    for reason in ("no_plant", "not_maize"):
        scene = stand(1, Wish(reason=reason))
        row = described(scene, truth.whole_window(scene, 200))
        assert (row["usable"], row["reason"]) == (False, reason)
        assert row["stage_v"] is row["base_xy"] is row["plant_box_px"] is None
        assert row["tips"] == row["collars_visible_in_image"] == []
        assert json.loads(json.dumps(row)) == row


def test_several_plants_are_all_listed_and_not_usable():
    scene = stand(1, Wish(reason="several"))
    row = described(scene, truth.whole_window(scene, 200))
    assert (row["usable"], row["reason"]) == (False, "several")
    leaves = sum(leaf.status != "gone" for s in scene.shapes for leaf in s.plant.leaves)
    assert len(row["tips"]) == leaves


def test_the_frame_decides_whether_a_plant_is_cut_off():
    for reason in ("ok", "cut_off"):
        for seed in range(8):
            scene = stand(seed, Wish(reason=reason, layout="standing"))
            window = truth.whole_window(scene, 120)
            row = truth.describe(scene, blank(window), "a.jpg", "photo")
            x0, y0, x1, y1 = row["plant_box_px"]
            inside = x0 > -2 and y0 > -2 and x1 < row["width"] + 2 and y1 < row["height"] + 2
            assert row["reason"] == ("ok" if inside else "cut_off")
            assert row["usable"] == inside
