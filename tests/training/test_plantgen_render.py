"""Rendering: pixels, part map and truth agree; the card is where an independent detector finds it.

Tiny images with Mitsuba's slowest, most portable variant.
"""

from __future__ import annotations

import functools
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("mitsuba", reason="path tracing needs the mitsuba package (train extra)")

from collarvision.card import find_card
from collarvision.photo import Photo
from training.plantgen import optics, tracing, truth
from training.plantgen.__main__ import main
from training.plantgen.camera import Camera, aim
from training.plantgen.mesh import Mesh, box, sheet, speck
from training.plantgen.render import CLASSES, SHEATH_OWNER, Rendered, Window, render
from training.plantgen.stand import Stand, compose
from training.plantgen.wish import Wish

pytestmark = pytest.mark.render
VARIANT = "scalar_rgb"


@functools.cache
def stand(seed: int, wish: Wish = Wish()) -> Stand:  # noqa: B008 - frozen
    return compose(np.random.default_rng([13, seed]), wish)


def traced(scene: Stand, window: Window, samples: int = 1) -> Rendered:
    return render(scene, window, samples=samples, seed=1, variant=VARIANT)


@functools.cache
def plant_in_crop(seed: int) -> tuple[Stand, Rendered, dict]:
    layout = "laid" if seed % 2 else "standing"
    scene = stand(seed, Wish(stage_v=3 + seed, layout=layout, lighting="overcast"))
    rendered = traced(scene, truth.plant_window(scene, np.random.default_rng(seed), 320))
    return scene, rendered, truth.describe(scene, rendered, "a.jpg", "crop")


def bare(scene: Stand, camera: Camera, **meshes: Mesh) -> Stand:
    """The scene's surfaces and light with nothing in sight but the meshes given."""
    empty = {name: speck() for name in scene.meshes}
    return replace(scene, meshes=empty | meshes, camera=camera)


def front(width: int, height: int, focal_px: float) -> Camera:
    """1 m before the origin, level: a pixel is 1000 / focal mm there."""
    where = np.array([0.0, -1000.0, 0.0])
    axes = aim(where, np.zeros(3), np.array([0.0, 0.0, 1.0]), 0.0)
    return Camera(where, axes, focal_px, width, height)


# --- geometry ---


def test_a_pixel_covers_from_its_integer_to_the_next():
    """Pixel centres lie at integers + 0.5: a rectangle over [4, 9) x [6, 8) px fills just those."""
    camera = front(16, 12, 100.0)  # 10 mm a pixel
    xs, zs = (np.array([4.0, 9.0]) - 8) * 10, (6 - np.array([6.0, 8.0])) * 10
    corners = np.array([[(x, 0.0, z) for x in xs] for z in zs])
    scene = bare(stand(0), camera, card=sheet(corners, (0, 0, 1, 1), 4))
    seen = traced(scene, Window(0, 0, (16.0, 12.0), 1.0))
    expected = np.zeros((12, 16), bool)
    expected[6:8, 4:9] = True
    assert np.array_equal(seen.classes == CLASSES["card"], expected)
    # The same seen through a window of two pixels a pixel, off the photo's middle.
    seen = traced(scene, Window(2.0, 3.0, (10.0, 8.0), 2.0))
    expected = np.zeros((16, 20), bool)
    expected[6:10, 4:14] = True
    assert np.array_equal(seen.classes == CLASSES["card"], expected)


def test_distances_are_from_the_camera_along_the_ray():
    # A wall 1 m ahead: sqrt(1 + r^2) m at r m aside (Pythagoras).
    wall = np.array([[(-900.0, 0, 900), (900, 0, 900)], [(-900.0, 0, -900), (900, 0, -900)]])
    camera = front(32, 32, 40.0)
    scene = bare(stand(0), camera, board=sheet(wall, (0, 0, 1, 1), 0))
    seen = traced(scene, Window(0, 0, (32.0, 32.0), 1.0))
    row, column = np.mgrid[0:32, 0:32]
    aside = np.hypot(column + 0.5 - 16, row + 0.5 - 16) / 40.0
    # The map's sample lies anywhere in its pixel: half a diagonal is 0.018 m at 1 m.
    assert np.abs(seen.distance_mm - 1000 * np.sqrt(1 + aside**2)).max() < 12.0


def test_a_crop_shows_what_the_whole_photo_shows_there():
    scene = stand(2, Wish(stage_v=5, layout="standing", lighting="overcast"))
    whole = traced(scene, Window(0, 0, (960.0, 1280.0), 0.25))
    part = traced(scene, Window(240.0, 480.0, (480.0, 480.0), 0.25))
    same = whole.classes[120:240, 60:180] == part.classes
    # Samples lie anywhere in their pixels, so that outlines differ.
    assert same.mean() > 0.93


# --- the card, found by a detector that knows nothing of the generator ---


@pytest.mark.parametrize("seed", [0, 1])
def test_the_card_is_found_where_truth_has_its_corners(seed):
    """Reference: OpenCV's ArUco detector, by way of collarvision.card, within 1.5 px."""
    layout = "laid" if seed else "standing"
    wish = Wish(card=True, layout=layout, lighting="overcast", reason="no_plant")
    scene = stand(seed, wish)
    middle = scene.card_corners_mm.mean(0)
    where = middle + [70.0, -420.0, 90.0]
    axes = aim(where, middle + [12.0, 0, -8.0], np.array([0.0, 0.0, 1.0]), 0.2)
    camera = Camera(where, axes, 460.0, 360, 420)
    scene = bare(
        scene, camera, card=scene.meshes["card"], board=scene.meshes["board"],
        soil=scene.meshes["soil"],
    )  # fmt: skip
    rendered = traced(scene, Window(0, 0, (360.0, 420.0), 1.0), samples=5)
    rgb = optics.develop(rendered.radiance, rendered.classes, np.random.default_rng(1), ev=0.0)
    scale = find_card(Photo("card.jpg", rgb, "0" * 64, focal_eq_mm=camera.focal_eq_mm))
    row = truth.describe(scene, rendered, "a.jpg", "photo")
    assert scale is not None
    assert row["card"]["present"]
    gaps = np.linalg.norm(scale.corners_px - np.array(row["card"]["corners"]), axis=1)
    assert gaps.max() < 1.5
    # And true to size: 148 mm of ISO 216's A5 between the upper corners.
    ends = np.array([[*row["card"]["corners"][k], 1.0] for k in (0, 1)]) @ scale.board_mm_from_px.T
    ends = ends[:, :2] / ends[:, 2:]
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(148.0, rel=0.01)


# --- truth against the part map ---


def gap_px(mask: np.ndarray, x: float, y: float) -> float:
    """Distance from a point to the nearest pixel centre of a mask."""
    rows, columns = np.nonzero(mask)
    return float(np.hypot(columns + 0.5 - x, rows + 0.5 - y).min()) if len(rows) else np.inf


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_collars_and_base_that_are_seen_lie_on_their_parts(seed):
    """Collars within 4 px of their own leaf's sheath or blade, the base within 5 of the stalk."""
    _, rendered, row = plant_in_crop(seed)
    collars = [c for c in row["collars_visible_in_image"] if not c["occluded"]]
    assert len(collars) >= 2
    for collar in collars:
        own = np.isin(rendered.owner, (collar["rank"], SHEATH_OWNER + collar["rank"]))
        assert gap_px(own, collar["x"], collar["y"]) <= 4.0
    if not row["base_occluded"]:
        plant = np.isin(rendered.classes, (CLASSES["stalk"], CLASSES["blade"]))
        assert gap_px(plant, *row["base_xy"]) <= 5.0


def test_tips_that_are_seen_end_their_own_blade():
    """Within 3 px of their own leaf's pixels in a training crop, looked at through a loupe.

    The last millimetres of a pointed blade are narrower than a pixel, and a map shows one spot of
    each: four times the crop's scale shows where the blade really ends. Some 1 in 30 are called
    seen by the points just before the tip although another leaf hides its very end.
    """
    gaps = []
    for seed in range(4):
        scene, rendered, row = plant_in_crop(seed)
        window = rendered.window
        seen = [tip for tip in row["tips"] if not tip["occluded"]]
        assert len(seen) > len(row["tips"]) / 2
        scale = 704 / window.side_px[0]
        half = 16 / scale
        for tip in seen:
            x, y = np.array([tip["x"], tip["y"]]) / window.scale + (window.left_px, window.top_px)
            loupe = traced(scene, Window(x - half, y - half, (2 * half, 2 * half), 4 * scale))
            gaps.append(gap_px(loupe.owner == tip["rank"], 64.0, 64.0) / 4)
    assert len(gaps) >= 20
    assert np.mean(np.array(gaps) <= 3.0) >= 0.9


def test_a_tip_inside_the_whorl_is_not_seen():
    """Its leaf is hardly out: other leaves' blades lie before it, closer than any board could."""
    wish = Wish(layout="standing", lighting="overcast", card=False)
    scene = compose(np.random.default_rng([31, 36]), wish)
    window = truth.plant_window(scene, np.random.default_rng(36), 352)
    rendered = traced(scene, window)
    tip = truth.describe(scene, rendered, "a.jpg", "crop")["tips"][-1]
    assert gap_px(rendered.owner == tip["rank"], tip["x"], tip["y"]) > 5
    assert gap_px(rendered.classes == CLASSES["blade"], tip["x"], tip["y"]) < 1
    assert tip["occluded"]


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_the_plants_pixels_fill_the_plants_box(seed):
    scene, rendered, row = plant_in_crop(seed)
    rows, columns = np.nonzero(rendered.classes == CLASSES["blade"])
    x0, y0, x1, y1 = row["plant_box_px"]
    assert columns.min() >= x0 - 2
    assert columns.max() <= x1 + 2
    assert rows.min() >= y0 - 2
    assert rows.max() <= y1 + 2
    ranks = set(np.unique(rendered.owner)) - {0}
    assert {r for r in ranks if r < 100} <= {p.rank for p in scene.shapes[0].points}


def test_a_box_before_a_collar_hides_it():
    scene, _, row = plant_in_crop(2)
    window = truth.plant_window(scene, np.random.default_rng(2), 320)
    target = next(c for c in row["collars_visible_in_image"] if not c["occluded"])
    points = next(p for p in scene.shapes[0].points if p.rank == target["rank"])
    toward = points.collar + 0.2 * (scene.camera.position_mm - points.collar)
    crate = box(toward - 14.0, toward + 14.0, 0)
    blocked = replace(scene, meshes=scene.meshes | {"clutter": crate})
    after = truth.describe(blocked, traced(blocked, window), "a.jpg", "crop")
    again = next(c for c in after["collars_visible_in_image"] if c["rank"] == target["rank"])
    assert again["occluded"]
    assert (again["x"], again["y"]) == (target["x"], target["y"])


def test_the_picture_shows_what_the_map_says():
    """Blades are greener than red or blue, whatever the light's tint; bare soil isn't."""
    scene, _, _ = plant_in_crop(2)
    rendered = traced(scene, truth.plant_window(scene, np.random.default_rng(2), 96), samples=8)
    assert np.isfinite(rendered.radiance).all()
    assert rendered.radiance.min() >= 0

    def greenness(part: str) -> float:
        red, green, blue = rendered.radiance[rendered.classes == CLASSES[part]].mean(0)
        return float(2 * green / (red + blue))

    assert greenness("blade") > 1.1
    assert greenness("blade") > greenness("soil") + 0.1


# --- sample files ---


def samples_of(folder: Path) -> list[dict]:
    return [json.loads(line) for line in (folder / "truth.jsonl").read_text().splitlines()]


def test_samples_are_whole_on_disk_and_a_part_is_continued(tmp_path):
    words = ["--out", str(tmp_path), "--seed", "7", "--samples", "1", "--crop-pixels", "64"]
    words += ["--photo-pixels", "64", "--variant", VARIANT]
    assert main([*words, "--count", "2"]) == 0
    part = tmp_path / "part-00007"
    first = (part / "truth.jsonl").read_text()
    assert main([*words, "--count", "3"]) == 0
    assert (part / "truth.jsonl").read_text().startswith(first)
    rows = samples_of(part)
    assert len(rows) == 3
    for row in rows:
        picture = cv2.imread(str(part / row["file"]))
        mask = cv2.imread(str(part / row["file"].replace(".jpg", ".png")), cv2.IMREAD_UNCHANGED)
        assert picture.shape[:2] == mask.shape == (row["height"], row["width"])
        assert mask.max() <= 4
    assert not list(part.glob("*.part"))


def test_the_same_seed_and_index_give_the_same_sample(tmp_path):
    words = ["--seed", "8", "--samples", "1", "--view", "finished", "--size", "48x64"]
    words += ["--variant", VARIANT, "--count", "1", "--first", "5", "--unlike"]
    for name in ("a", "b"):
        main([*words, "--out", str(tmp_path / name)])
    one, two = (tmp_path / name / "part-00008" for name in ("a", "b"))
    assert samples_of(one) == samples_of(two)
    name = samples_of(one)[0]["file"]
    assert name == "00008_000005.jpg"
    assert (one / name).read_bytes() == (two / name).read_bytes()


@given(st.integers(1, 50_000_000), st.integers(1, 64))
def test_passes_make_all_light_paths_and_fit_the_memory(pixels, samples):
    made = tracing.passes(pixels, samples)
    assert sum(made) == samples
    assert min(made) >= 1
    assert max(made) == 1 or max(made) * pixels <= tracing.PATHS_AT_ONCE


def test_a_photo_in_passes_is_the_photo_with_other_grain(monkeypatch):
    scene = stand(2, Wish(stage_v=4, layout="laid", lighting="overcast"))
    window = truth.whole_window(scene, 64)
    whole = traced(scene, window, samples=8)
    monkeypatch.setattr(tracing, "PATHS_AT_ONCE", 64 * 64 * 2)
    parts = traced(scene, window, samples=8)
    assert np.array_equal(whole.classes, parts.classes)
    assert parts.radiance.mean() == pytest.approx(whole.radiance.mean(), rel=0.05)
    # Four passes of one seed would keep the grain of one: theirs differs from pass to pass.
    one = traced(scene, window, samples=2)

    def grain(picture: Rendered) -> float:
        return float(np.abs(picture.radiance - whole.radiance).mean())

    assert grain(parts) < grain(one)
