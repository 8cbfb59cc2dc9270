"""Scenes: seeds, wishes, the camera against OpenCV's, the card's face and place, optics."""

from __future__ import annotations

import functools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen import optics, surroundings
from training.plantgen.__main__ import draw_wish
from training.plantgen.camera import Camera, aim, focal_px_of
from training.plantgen.cardface import MARKER_MM, PX_PER_MM, card_face
from training.plantgen.mesh import SCENE_REACH_MM
from training.plantgen.stand import Stand, compose, from_other_side
from training.plantgen.textures import BOARD_KINDS, board, cloud, ground, linear
from training.plantgen.wish import LIGHTINGS, REASONS, Wish

PARTS = {"blades", "stalk", "others", "clutter", "board", "soil", "card", "shade"}


@functools.cache
def stand(seed: int, wish: Wish = Wish()) -> Stand:  # noqa: B008 - frozen
    return compose(np.random.default_rng([11, seed]), wish)


def in_sight(points: np.ndarray) -> np.ndarray:
    return points[np.abs(points).max(1) < 0.7 * SCENE_REACH_MM]


# --- seeds and wishes ---


def test_what_is_trained_on_has_just_cleared_more_often_than_what_judges():
    """Photos that judge a network are drawn as before: figures stay comparable."""
    rng = np.random.default_rng(7)
    drawn = [draw_wish(rng, "close", False).hard_case for _ in range(2000)]
    assert drawn.count("just_cleared") / len(drawn) == pytest.approx(0.31, abs=0.03)
    assert draw_wish(rng, "finished", False).hard_case is None


def test_a_seed_is_a_scene():
    one, two = (compose(np.random.default_rng([1, 4]), Wish()) for _ in range(2))
    for name in PARTS:
        assert np.array_equal(one.meshes[name].vertices, two.meshes[name].vertices)
    for name, texture in one.textures.items():
        assert np.array_equal(texture, two.textures[name])
    assert np.array_equal(one.camera.position_mm, two.camera.position_mm)
    assert one.label == two.label
    other = compose(np.random.default_rng([1, 5]), Wish())
    assert not np.array_equal(one.camera.position_mm, other.camera.position_mm)


@pytest.mark.parametrize("reason", REASONS)
@pytest.mark.parametrize("layout", ["standing", "laid"])
def test_every_kind_of_scene_has_the_same_parts(reason, layout):
    scene = stand(1, Wish(reason=reason, layout=layout))
    assert set(scene.meshes) == PARTS
    for mesh in scene.meshes.values():
        assert np.isfinite(mesh.vertices).all()
        assert mesh.faces.max() < len(mesh.vertices)
        assert len(mesh.uv) == len(mesh.vertices)
        assert len(mesh.owner) == len(mesh.faces)
    for name, texture in scene.textures.items():
        assert np.isfinite(texture).all(), name
        if name != "sky":
            assert texture.min() > 0, name
            assert texture.max() < 1, name  # nothing reflects more light than it gets
    assert scene.label["layout"] == layout
    assert bool(scene.shapes) == (reason in ("ok", "several", "cut_off"))
    assert (len(scene.shapes) > 1) == (reason == "several")


def test_wishes_are_granted():
    wish = Wish(
        stage_v=6, layout="laid", hard_case="just_cleared", lighting="shade", board_kind="wood",
        card=True, lost=2, lower_status="withered",
    )  # fmt: skip
    scene = stand(2, wish)
    plant = scene.shapes[0].plant
    assert (plant.stage_v, plant.lost, plant.hard_case) == (6, 2, "just_cleared")
    assert plant.leaves[2].status == "withered"
    assert scene.label["lighting"] == "shade"
    assert scene.label["board_colour"] == "wood"
    assert scene.card_corners_mm is not None
    assert stand(2, Wish(card=False)).card_corners_mm is None


def test_tillers_are_green_but_none_of_the_plants_leaves():
    """Side shoots from the crown: their collars don't count (common practice)."""
    with_some = [
        scene
        for seed in range(40)
        if (scene := stand(seed, Wish(stage_v=7, layout="standing"))).shapes[0].plant.tillers
    ]
    assert 1 <= len(with_some) <= 7  # rare
    for scene in with_some:
        plant = scene.shapes[0]
        blades, stalk = scene.meshes["blades"], scene.meshes["stalk"]
        more = len(blades.vertices) - len(plant.blades.vertices)
        assert more > 0
        assert (blades.owner == 0).sum() > 0
        assert len(stalk.vertices) > len(plant.stalk.vertices)
        assert set(np.unique(plant.blades.owner)) == set(np.unique(blades.owner)) - {0}
        shoots = blades.vertices[-more:]
        assert shoots[:, 2].max() < plant.blades.vertices[:, 2].max()


def test_a_plant_without_two_collars_cannot_have_just_cleared():
    assert stand(1, Wish(stage_v=1, hard_case="just_cleared")).shapes[0].plant.hard_case == "none"
    assert stand(1, Wish(stage_v=0, hard_case="about_to_clear")).shapes[0].plant.hard_case == "none"


def test_no_plant_means_no_maize_in_front_of_the_board():
    for reason in ("no_plant", "not_maize"):
        scene = stand(3, Wish(reason=reason))
        assert len(in_sight(scene.meshes["blades"].vertices)) == 0
        assert len(in_sight(scene.meshes["stalk"].vertices)) == 0


@pytest.mark.parametrize("layout", ["standing", "laid"])
def test_leaves_stay_before_the_board(layout):
    """The board, as it was meshed, hides no leaf: seen from the camera it lies behind each."""
    for seed in range(12):
        scene = stand(seed, Wish(layout=layout))
        middle, (right, up) = board_plane(scene.meshes["board"].vertices)
        normal = np.cross(right, up)
        normal *= np.sign((scene.camera.position_mm - middle) @ normal)
        assert ((scene.meshes["blades"].vertices - middle) @ normal).min() > 0.2
        if scene.card_corners_mm is not None:
            off = (scene.card_corners_mm - middle) @ normal
            assert off.max() < 1.0  # nor does the card, which hangs on it


def board_plane(vertices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Middle (3,) and two directions (2, 3) of a flat sheet, which it must be."""
    middle = vertices.mean(0)
    _, spread, directions = np.linalg.svd(vertices - middle, full_matrices=False)
    assert spread[2] < 1e-6 * spread[1]
    return middle, directions[:2]


def test_plants_asked_for_whole_are_in_the_frame_and_cut_ones_are_not():
    def share_inside(scene: Stand) -> float:
        pixels, _ = scene.camera.project(scene.shapes[0].blades.vertices)
        size = [scene.camera.width_px, scene.camera.height_px]
        return float(((pixels > 0) & (pixels < size)).all(1).mean())

    whole = np.array([share_inside(stand(seed)) for seed in range(12)])
    cut = np.array([share_inside(stand(seed, Wish(reason="cut_off"))) for seed in range(12)])
    assert np.mean(whole == 1.0) > 0.75  # the others' truth says "cut_off"
    assert np.mean(cut < 0.97) > 0.75  # the others' truth says "ok"


def test_under_cloud_the_sun_is_out():
    for lighting in LIGHTINGS:
        scene = stand(1, Wish(lighting=lighting))
        assert np.linalg.norm(scene.sun_direction) == pytest.approx(1.0)
        assert scene.sun_direction @ scene.up > 0  # never from below
        if lighting in ("overcast", "shade"):
            assert scene.sun_colour.max() == 0
        elif lighting != "indoor":
            assert scene.sun_colour.min() > 0


# --- camera ---


@settings(derandomize=True, max_examples=60, deadline=None)
@given(
    position=st.tuples(st.floats(-800, 800), st.floats(-2000, -300), st.floats(-100, 1500)),
    roll=st.floats(-3, 3),
    focal_eq=st.floats(20, 70),
)
def test_the_camera_projects_as_opencvs_does(position, roll, focal_eq):
    """Reference: cv2.projectPoints, whose pixel centres are at integers (hence the half)."""
    size = np.array([960, 1280])
    target = np.array([10.0, 5.0, 120.0])
    where = np.array(position)
    focal = focal_px_of(focal_eq, *size)
    camera = Camera(where, aim(where, target, np.array([0.0, 0, 1]), roll), focal, *size)
    points = target + np.random.default_rng(0).uniform(-150, 150, (20, 3))
    pixels, depth = camera.project(points)
    matrix = np.array([[focal, 0, 480 - 0.5], [0, focal, 640 - 0.5], [0, 0, 1]])
    rotation = cv2.Rodrigues(camera.axes)[0]
    theirs, _ = cv2.projectPoints(points, rotation, -camera.axes @ where, matrix, None)
    assert pixels == pytest.approx(theirs[:, 0] + 0.5, abs=1e-5)
    assert (depth > 0).all()
    assert np.linalg.det(camera.axes) == pytest.approx(1.0)
    assert camera.focal_eq_mm == pytest.approx(focal_eq)
    assert camera.project(target)[0][0] == pytest.approx([480.0, 640.0])


def test_full_frame_at_its_own_focal_length_sees_its_own_angle():
    # A 36 x 24 mm frame behind 50 mm: 39.6 degrees across, 2 atan(18 / 50).
    focal = focal_px_of(50.0, 3600, 2400)
    assert np.degrees(2 * np.arctan(1800 / focal)) == pytest.approx(39.6, abs=0.05)


def test_an_unrolled_camera_has_right_to_the_right_and_down_downwards():
    axes = aim(np.array([0.0, -1000, 0]), np.zeros(3), np.array([0.0, 0, 1]), 0.0)
    assert axes == pytest.approx(np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]))


# --- card ---


def test_the_cards_face_has_its_markers_where_the_contract_says():
    """Reference: cv2.aruco's detector on the face itself; contract: DEVELOPERS.md."""
    expected = {0: (8, 8), 1: (104, 8), 2: (104, 166), 3: (8, 166)}
    for seed in range(4):
        face = optics.encode(card_face(np.random.default_rng(seed)))
        grey = (face.mean(-1) * 255).astype(np.uint8)
        assert grey.shape == (210 * PX_PER_MM, 148 * PX_PER_MM)
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        parameters = cv2.aruco.DetectorParameters()
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
        found = {
            int(i): (c[0] + 0.5) / PX_PER_MM for i, c in zip(ids.ravel(), corners, strict=True)
        }
        assert set(found) == set(expected)
        for marker, (x, y) in expected.items():
            square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * MARKER_MM + [x, y]
            assert found[marker] == pytest.approx(square, abs=0.15)


def test_the_card_in_the_scene_is_a5_and_true_to_size():
    # ISO 216: A5 is 148 x 210 mm.
    for seed in range(4):
        for layout in ("standing", "laid"):
            scene = stand(seed, Wish(card=True, layout=layout))
            top_left, top_right, bottom_right, bottom_left = scene.card_corners_mm
            assert np.linalg.norm(top_right - top_left) == pytest.approx(148.0)
            assert np.linalg.norm(bottom_right - bottom_left) == pytest.approx(148.0)
            assert np.linalg.norm(bottom_left - top_left) == pytest.approx(210.0)
            assert (top_right - top_left) @ (bottom_left - top_left) == pytest.approx(0, abs=1e-6)
            # Seen from the front it isn't mirrored: its normal, right x down, goes into the board.
            into = np.cross(top_right - top_left, bottom_left - top_left)
            assert into[1] > 0
            mesh = scene.meshes["card"]
            for corner, uv in zip(
                scene.card_corners_mm, [(0, 0), (1, 0), (1, 1), (0, 1)], strict=True
            ):
                at = np.abs(mesh.uv - uv).sum(1).argmin()
                assert mesh.vertices[at] == pytest.approx(corner)


# --- textures and optics ---


def test_a_cleaned_picture_has_less_grain_and_the_same_edges():
    rng = np.random.default_rng(3)
    step = np.full((60, 80, 3), 90.0)
    step[:, 40:] = 160.0
    grainy = np.clip(step + rng.normal(0, 6, step.shape), 0, 255).astype(np.uint8)
    for _ in range(10):
        smooth = optics.cleaned(grainy, rng).astype(float)
        assert smooth[5:-5, 5:30].std() < 0.75 * grainy[5:-5, 5:30].std()
        across = smooth[5:-5].mean((0, 2))
        assert across[42] - across[37] > 0.9 * 70  # within 5 px nearly all of the step
        assert smooth.mean() == pytest.approx(grainy.mean(), abs=0.7)


def test_srgb_round_trip_and_its_published_points():
    # IEC 61966-2-1; 18 % grey is about sRGB 118.
    values = np.linspace(0, 1, 101)
    assert optics.encode(linear(values)) == pytest.approx(values, abs=1e-5)
    assert round(float(optics.encode(np.array(0.18))) * 255) == 118


@settings(derandomize=True, max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), fall=st.floats(0.2, 1.6), stretch=st.floats(1, 20))
def test_noise_has_zero_mean_and_unit_variance(seed, fall, stretch):
    noise = cloud(np.random.default_rng(seed), 64, 48, fall=fall, stretch=stretch)
    assert noise.mean() == pytest.approx(0, abs=1e-3)
    assert noise.std() == pytest.approx(1, abs=1e-2)


@pytest.mark.parametrize("kind", BOARD_KINDS)
def test_boards_of_every_kind(kind):
    face = board(np.random.default_rng(1), kind, size=64)
    assert face.shape == (64, 64, 3)
    assert 0 < face.min() <= face.max() < 1


def test_boards_look_as_they_are_called():
    def mean(kind: str) -> np.ndarray:
        faces = [board(np.random.default_rng(i), kind, size=64).mean((0, 1)) for i in range(6)]
        return np.mean(faces, 0)

    assert mean("white").min() > 3 * mean("black").max()
    assert mean("red").argmax() == 0
    assert mean("green").argmax() == 1
    assert mean("blue").argmax() == 2


def test_soil_and_weeds_have_their_classes():
    rng = np.random.default_rng(3)
    soil, grid = surroundings.soil_patch(rng, 300.0, 200.0, 20.0)
    assert set(soil.owner) == {3}
    middle = np.hypot(grid[..., 0], grid[..., 1]) < 5.0
    assert np.abs(grid[middle][:, 2]).max() < 1.0  # level where the stalk stands
    for weed in (surroundings.broadleaf(rng, 100.0), surroundings.grass(rng, 100.0)):
        assert set(weed.owner) == {0}
        assert 30 < weed.vertices[:, 2].max() < 400


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_skies_are_brighter_above_than_below(lighting):
    sky = surroundings.sky(np.random.default_rng(2), lighting)
    assert sky.shape == (128, 256, 3)
    assert sky.min() > 0
    if lighting != "indoor":
        assert sky[:40].mean() > sky[90:].mean()


def test_photographs_faults_are_what_they_are_called():
    rng = np.random.default_rng(0)
    radiance = np.kron(rng.random((160, 120, 1)), np.ones((8, 8, 3))).astype(np.float32)
    classes = np.ones((1280, 960), np.uint8)

    def taken(fault: str | None) -> np.ndarray:
        picture, quality = optics.photograph(
            radiance, classes, np.random.default_rng(5), fault=fault
        )
        assert picture.dtype == np.uint8
        assert 1 <= quality <= 100
        return picture

    def sharpness(picture: np.ndarray) -> float:
        return float(cv2.Laplacian(picture.mean(-1), cv2.CV_64F).var())

    plain, dark, blurred = taken(None), taken("dark"), taken("blurred")
    assert dark.mean() < 0.4 * plain.mean()
    developed = optics.develop(radiance, classes, np.random.default_rng(5))
    assert developed.shape == radiance.shape
    assert sharpness(blurred) < 0.2 * sharpness(plain)


def test_soil_textures_reflect_less_than_boards():
    soils = [ground(np.random.default_rng(i), 64).mean() for i in range(12)]
    boards = [board(np.random.default_rng(i), "white", 64).mean() for i in range(12)]
    assert np.median(soils) < 0.5 * np.median(boards)


# --- the other side ---


@pytest.mark.parametrize("layout", ["standing", "laid"])
def test_the_other_side_shows_the_same_plant_turned_half_round(layout):
    one = stand(7, Wish(stage_v=5, layout=layout, lighting="sun", board_kind="white"))
    other = from_other_side(np.random.default_rng(3), one)
    plant, turned = one.shapes[0].plant, other.shapes[0].plant
    turn = turned.leaf_plane_rad - plant.leaf_plane_rad
    assert abs(turn - np.pi) < 1.2
    assert turned == replace(plant, leaf_plane_rad=turned.leaf_plane_rad)
    for label in ("layout", "lighting", "board_colour"):
        assert one.label[label] == other.label[label]
    assert (one.card_corners_mm is None) == (other.card_corners_mm is None)
    assert not np.array_equal(one.camera.position_mm, other.camera.position_mm)
    if layout == "standing":
        # Heights of collars along the stalk don't depend on the side they are seen from; wind may
        # lean a plant by a few degrees.
        for before, after in zip(one.shapes[0].points, other.shapes[0].points, strict=True):
            if before.collar is not None:
                assert after.collar is not None
                assert after.collar[2] == pytest.approx(before.collar[2], rel=0.05, abs=1.0)


def test_showing_a_plant_again_leaves_the_first_photo_as_it_was():
    rng = np.random.default_rng([2, 9])
    first = compose(rng, Wish())
    from_other_side(rng, first)
    again = compose(np.random.default_rng([2, 9]), Wish())
    for name in PARTS:
        assert np.array_equal(first.meshes[name].vertices, again.meshes[name].vertices)
