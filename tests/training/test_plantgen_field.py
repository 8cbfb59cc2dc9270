"""Fields from above: stands keep to what was asked, tips project where they show.

Checked against: 1 / (row spacing x plant spacing) as the plants of an area; IEC 61966-2-1's
curve by way of `optics.encode`; a pinhole's similar triangles for ground scale.
"""

from __future__ import annotations

import functools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen import field, field_ground, field_scene, plantlibrary
from training.plantgen.field_scene import LEAF_IDS, FieldScene, Shot
from training.plantgen.shape import BLADE_ROWS


@functools.cache
def library() -> plantlibrary.Library:
    return plantlibrary.Library(np.random.default_rng(4), a_stage=2, weeds=2)


@functools.cache
def noises() -> field_ground.Noises:
    return field_ground.Noises(np.random.default_rng(5))


def scene(seed: int, shot: Shot) -> FieldScene:
    return field_scene.compose(np.random.default_rng([7, seed]), shot, library(), noises())


@given(st.integers(0, 10_000), st.floats(300, 3000))
@settings(max_examples=40, deadline=None)
def test_stand_lies_within_reach_and_in_rows(seed: int, reach: float) -> None:
    stand = field.draw_stand(np.random.default_rng(seed), reach, kind="corn")
    at = np.array([(p.x_mm, p.y_mm) for p in stand.plants]).reshape(-1, 2)
    # Errors of place reach past the rim by some centimetres, no more.
    assert (np.hypot(*at.T) < reach + 800).all()
    assert (np.abs(stand.across(at[:, 0], at[:, 1])) < 80).all()
    assert all(0 <= p.stage_v <= field.MAX_STAGE for p in stand.plants)


def test_density_is_the_inverse_of_the_spacings() -> None:
    rng = np.random.default_rng(1)
    places = field.row_positions(rng, 200_000.0, 170.0, 30.0, 0.0, 0.0)
    assert len(places) == pytest.approx(200_000 / 170, rel=0.01)
    assert np.diff(places).min() >= 0


def test_skips_and_doubles_come_as_often_as_asked() -> None:
    rng = np.random.default_rng(2)
    places = [field.row_positions(rng, 5000.0, 200.0, 0.0, 0.1, 0.2) for _ in range(400)]
    # 25 places a row, a tenth empty, a fifth of the rest twice; one row in eight has a gap.
    assert np.mean([len(p) for p in places]) == pytest.approx(25 * 0.9 * 1.2, rel=0.06)
    twins = [field._double(p).mean() for p in places if len(p)]
    assert np.mean(twins) == pytest.approx(0.4 / 1.2, abs=0.05)


def test_doubles_are_marked_by_pairs() -> None:
    assert field._double(np.array([])).tolist() == []
    assert field._double(np.array([9.0])).tolist() == [False]
    assert field._double(np.array([0.0, 50, 200, 210, 300])).tolist() == [True] * 4 + [False]


def test_late_plants_are_as_many_as_asked_and_behind() -> None:
    # Up to a quarter late in the worst rows: Novak & Ransom 2018, 10.4236/as.2018.910092.
    stages = field.stages_of(np.random.default_rng(3), 20_000, 6.0, 0.01, 0.25)
    assert (stages < 6).mean() == pytest.approx(0.25, abs=0.02)
    assert stages.min() >= 3


def test_bare_ground_and_other_crops_grow_no_corn() -> None:
    for kind in ("bare", "other_crop"):
        made = scene(3, Shot(side_px=96, kind=kind))
        assert made.corn is None
        assert made.placed == ()
    assert scene(3, Shot(side_px=96, kind="other_crop")).other is not None


@pytest.mark.parametrize("stage", range(field.MAX_STAGE + 1))
def test_library_plant_keeps_leaves_and_tips(stage: int) -> None:
    for kept in library().corn[stage]:
        assert kept.stage_v == stage
        assert len(kept.ranks) == len(kept.tips) == len(kept.near_tips)
        assert set(kept.mesh.owner.tolist()) == {0, *kept.ranks.tolist()}
        assert kept.mesh.faces.max() < len(kept.mesh.vertices)
        # The thinned blade still ends at its tip.
        for rank, tip in zip(kept.ranks, kept.tips, strict=True):
            corners = kept.mesh.vertices[kept.mesh.faces[kept.mesh.owner == rank]]
            away = np.linalg.norm(corners.reshape(-1, 3) - tip, axis=1)
            assert away.min() < 0.25 * np.ptp(corners.reshape(-1, 3), axis=0).max() + 2
    assert plantlibrary.ROWS[-1] == BLADE_ROWS - 1


def test_renewing_changes_plants() -> None:
    kept = plantlibrary.Library(np.random.default_rng(8), a_stage=1, weeds=1)
    before = {stage: plants[0] for stage, plants in kept.corn.items()}
    kept.renew(20)
    assert any(kept.corn[stage][0] is not before[stage] for stage in before)


def test_noise_repeats_without_a_seam() -> None:
    image = field_ground.spectral_noise(np.random.default_rng(1), 1.0, 160.0, 8.0)
    inner = np.abs(np.diff(image, axis=0)).mean()
    seam = np.abs(image[0] - image[-1]).mean()
    assert seam == pytest.approx(inner, rel=0.3)
    assert image.std() == pytest.approx(1.0, rel=1e-3)
    kept = field_ground.Noises(np.random.default_rng(2))
    first = kept.kept["fine"][0], kept.kept["clods"][0], kept.kept["coarse"][0]
    for _ in range(6):
        kept.renew()
    now = kept.kept["fine"][0], kept.kept["clods"][0], kept.kept["coarse"][0]
    assert any(a is not b for a, b in zip(first, now, strict=True))


def test_ground_height_is_the_grids() -> None:
    made = scene(1, Shot(side_px=96, kind="corn"))
    ground = made.ground
    corner = ground.height(np.array(-ground.half_mm), np.array(-ground.half_mm))
    assert corner == ground.heights[0, 0]
    far = ground.height(np.array([1e6]), np.array([0.0]))
    assert np.isfinite(far).all()


@given(st.floats(0.8, 8.0), st.floats(0, 0.78), st.floats(2000, 20000))
@settings(max_examples=25, deadline=None)
def test_ground_scale_is_what_was_asked(mm: float, tilt: float, distance: float) -> None:
    shot = Shot(side_px=64, mm_per_px=mm, tilt_rad=tilt, distance_mm=distance)
    camera = field_scene.place_camera(np.random.default_rng(1), shot)
    # Across the line of sight a millimetre is 1 / mm pixels, by similar triangles.
    aside = camera.axes[0] * 10.0
    at, _ = camera.project(np.array([np.zeros(3), aside]))
    assert np.linalg.norm(at[1] - at[0]) == pytest.approx(10.0 / mm, rel=1e-6)
    assert at[0] == pytest.approx([32, 32])
    down = math.acos(min(1.0, -camera.axes[2, 2]))
    assert down == pytest.approx(tilt, abs=1e-6)


def test_same_seed_same_scene() -> None:
    one, two = scene(5, Shot(side_px=96)), scene(5, Shot(side_px=96))
    assert one.stand == two.stand
    assert np.array_equal(one.ground.heights, two.ground.heights)
    if one.corn is not None and two.corn is not None:
        assert np.array_equal(one.corn.vertices, two.corn.vertices)


class TestRendered:
    """Path traced, tiny."""

    pytestmark = pytest.mark.render

    @staticmethod
    @functools.cache
    def made() -> tuple[FieldScene, object]:
        pytest.importorskip("mitsuba", reason="path tracing needs the mitsuba package")
        from training.plantgen.field_render import render

        shot = Shot(side_px=160, tilt_rad=0.1, distance_mm=4000.0, kind="corn", mean_stage=4.0)
        one = scene(11, shot)
        return one, render(one, samples=1, seed=1, variant="scalar_rgb")

    def test_part_map_and_owners_agree(self) -> None:
        _, got = self.made()
        corn = got.classes == 1
        assert corn.any()
        assert (got.owner[corn] >= 0).all()
        assert (got.owner[~corn] == -1).all()
        assert np.isfinite(got.radiance).all()

    def test_a_seen_tip_has_its_own_leaf_beside_it(self) -> None:
        from training.plantgen.field_render import describe

        one, got = self.made()
        rows = describe(one, got)
        assert any(row["inside"] for row in rows)
        checked = 0
        for row in rows:
            home = next(
                k
                for k, placed in enumerate(one.placed)
                if [round(placed.plant.x_mm, 1), round(placed.plant.y_mm, 1)] == row["ground_mm"]
            )
            assert row["seen_px"] == (got.owner // LEAF_IDS == home)[got.owner >= 0].sum()
            for x, y, rank, seen in row["tips"]:
                if seen and 6 < x < 154 and 6 < y < 154:
                    r, c = int(y), int(x)
                    around = got.owner[r - 6 : r + 7, c - 6 : c + 7]
                    assert (around == home * LEAF_IDS + rank).any()
                    checked += 1
        assert checked >= 5

    def test_pixels_without_a_number_are_mended(self) -> None:
        from training.plantgen.field_render import _mended

        image = np.ones((32, 32, 3), np.float32)
        image[10:13, 10:13] = np.nan
        assert _mended(image) == pytest.approx(np.ones((32, 32, 3)), rel=1e-3)


class TestSamplesOnDisk:
    """The command that writes parts."""

    pytestmark = pytest.mark.render

    def test_parts_are_whole_continued_and_repeatable(self, tmp_path: Path) -> None:
        pytest.importorskip("mitsuba", reason="path tracing needs the mitsuba package")
        from training.above.scenes import main

        common = ["--seed", "3", "--side", "96", "--samples", "1", "--variant", "scalar_rgb"]
        assert main(["--out", str(tmp_path / "a"), "--count", "1", *common]) == 0
        assert main(["--out", str(tmp_path / "a"), "--count", "2", *common]) == 0
        assert main(["--out", str(tmp_path / "b"), "--count", "2", *common]) == 0
        rows = []
        for name in "ab":
            part = tmp_path / name / "part-00003"
            lines = (part / "truth.jsonl").read_text().splitlines()
            rows.append([json.loads(line) for line in lines])
            assert len(lines) == 2
            for row in rows[-1]:
                assert (part / row["file"]).is_file()
                assert (part / row["file"]).with_suffix(".png").is_file()
            assert not list(part.glob("*.part"))
        assert rows[0] == rows[1]

    def test_wide_photos_show_several_rows_from_nearly_straight_above(self) -> None:
        from training.above.scenes import draw_shot

        rng = np.random.default_rng(5)
        shots = [draw_shot(rng, 512, finished=True, wide=True) for _ in range(40)]
        assert {shot.kind for shot in shots} == {"corn"}
        assert {shot.mm_per_px for shot in shots} == {3.0, 4.0, 5.0, 6.0}
        wide_m = [shot.side_px * shot.mm_per_px / 1e3 for shot in shots]
        assert min(wide_m) > 3 * 1.016  # three rows of the widest spacing drawn
        assert max(shot.tilt_rad or 0.0 for shot in shots) < np.radians(25)
