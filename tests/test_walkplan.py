"""Boundaries from GeoJSON, and stops inside them in walking order."""

from __future__ import annotations

import json
from itertools import permutations
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np
import pytest
from command import run
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.boundary import Boundary, BoundaryError, metres_a_degree, read_boundary
from collarvision.outlines import read_outlines
from collarvision.walkplan import (
    WalkPlanError,
    compact_parts,
    plan_walk,
    random_cover,
    walk_length,
    walking_order,
)

# An invented field in the open: a square of about 400 m with a pond of about 100 m in it.
LAT, LON = 41.5, -93.6
NORTH, EAST = metres_a_degree(LAT)


def square(side_m: float, x_m: float = 0.0, y_m: float = 0.0) -> list[list[float]]:
    half = side_m / 2
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    return [[LON + (x + x_m) / EAST, LAT + (y + y_m) / NORTH] for x, y in corners]


def feature(*rings: list[list[float]], **properties: Any) -> dict[str, Any]:
    geometry = {"type": "Polygon", "coordinates": list(rings)}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def saved(folder: Path, content: Any) -> Path:
    path = folder / "field.geojson"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


@pytest.fixture
def pond_field(tmp_path: Path) -> Path:
    return saved(tmp_path, feature(square(400), square(100, 80, 60), name="North quarter"))


def test_metres_a_degree() -> None:
    # WGS84 tables, from memory: at 45° a degree of latitude is 111.132 km, of longitude 78.847 km.
    north, east = metres_a_degree(45.0)
    assert north == pytest.approx(111_132, abs=1)
    assert east == pytest.approx(78_847, abs=1)


def test_area_without_the_pond(pond_field: Path) -> None:
    field = read_boundary(pond_field)
    assert field.name == "North quarter"
    assert field.area_m2 == pytest.approx(400**2 - 100**2, rel=1e-4)


def test_a_field_in_two_parts(tmp_path: Path) -> None:
    parts = {"type": "MultiPolygon", "coordinates": [[square(100)], [square(50, 300)]]}
    field = read_boundary(saved(tmp_path, parts))
    assert field.area_m2 == pytest.approx(100**2 + 50**2, rel=1e-4)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), stops=st.sampled_from([3, 5, 7, 15]))
def test_stops_lie_inside_and_off_the_headlands(
    tmp_path_factory: pytest.TempPathFactory, seed: int, stops: int
) -> None:
    path = saved(tmp_path_factory.mktemp("f"), feature(square(400), square(100, 80, 60)))
    field = read_boundary(path)
    walk = plan_walk(field, stops, seed=seed)
    assert [stop.number for stop in walk.stops] == list(range(1, stops + 1))
    points = np.array([field.metres(stop.lat, stop.lon) for stop in walk.stops])
    assert field.inside(points).all()
    assert (field.edge_distance(points) >= 10 - 1e-6).all()
    # The same by plain arithmetic on the two squares, apart from our own geometry.
    x, y = (points - field.metres(LAT, LON)).T
    assert (np.maximum(abs(x), abs(y)) <= 190 + 0.1).all()
    # (past a corner of the pond, 10 m away is 7.07 m along either side)
    assert (np.maximum(abs(x - 80), abs(y - 60)) >= 57.07 - 0.1).all()


def test_stops_are_spread_more_than_by_chance(pond_field: Path) -> None:
    field = read_boundary(pond_field)

    def nearest_pair(points: np.ndarray) -> float:
        gaps = np.linalg.norm(points[:, None] - points, axis=2)
        return float(gaps[np.triu_indices(len(points), 1)].min())

    planned, chance = [], []
    random = np.random.default_rng(0)
    for seed in range(12):
        stops = plan_walk(field, 7, seed=seed).stops
        planned.append(nearest_pair(np.array([field.metres(s.lat, s.lon) for s in stops])))
        chance.append(nearest_pair(random.uniform(-190, 190, (7, 2))))
    assert np.mean(planned) > 2 * np.mean(chance)
    assert min(planned) > 80  # 7 stops in 15 ha: never side by side


def test_the_seed_decides(pond_field: Path) -> None:
    field = read_boundary(pond_field)
    assert plan_walk(field, 5, seed=4) == plan_walk(field, 5, seed=4)
    assert plan_walk(field, 5, seed=4) != plan_walk(field, 5, seed=5)


@pytest.mark.parametrize("with_start", [False, True])
def test_the_walk_is_nearly_the_shortest(with_start: bool) -> None:
    """Against every order there is."""
    random = np.random.default_rng(1)
    for _ in range(6):
        points = random.uniform(0, 400, (6, 2))
        start = np.zeros(2) if with_start else None
        ours = walk_length(points, walking_order(points, start), start)
        shortest = min(walk_length(points, list(o), start) for o in permutations(range(6)))
        assert ours <= 1.1 * shortest


def whole_walks(points: np.ndarray, start: np.ndarray | None) -> float:
    """Length of the shortest walk by 2-opt that measures each walk whole, from every point."""

    def measure(order: list[int]) -> float:
        return walk_length(points, order, start)

    lengths = []
    for begin in range(len(points)) if start is None else [None]:
        order = [] if begin is None else [begin]
        while len(order) < len(points):
            here = points[order[-1]] if order else start
            left = sorted(set(range(len(points))) - set(order))
            order.append(min(left, key=lambda k, at=here: float(np.linalg.norm(points[k] - at))))
        improved = True
        while improved:
            improved = False
            for i in range(len(order) - 1):
                for j in range(i + 1, len(order)):
                    other = order[:i] + order[i : j + 1][::-1] + order[j + 1 :]
                    if measure(other) < measure(order) - 1e-9:
                        order, improved = other, True
        lengths.append(measure(order))
    return min(lengths)


@pytest.mark.parametrize("with_start", [False, True])
@pytest.mark.parametrize("stops", [1, 2, 3, 5, 9, 15])
def test_no_walk_is_longer_for_being_found_quickly(stops: int, with_start: bool) -> None:
    random = np.random.default_rng(stops)
    for _ in range(3):
        points = random.uniform(0, 400, (stops, 2))
        start = random.uniform(-50, 450, 2) if with_start else None
        order = walking_order(points, start)
        assert sorted(order) == list(range(stops))
        assert walk_length(points, order, start) <= whole_walks(points, start) + 1e-6


def test_many_stops_are_ordered_at_once() -> None:
    points = np.random.default_rng(0).uniform(0, 400, (120, 2))
    begun = monotonic()
    order = walking_order(points)
    assert monotonic() - begun < 5
    assert sorted(order) == list(range(120))
    # As long as a good walk: about 0.7124 sqrt(n A) (Beardwood, Halton & Hammersley 1959).
    assert walk_length(points, order) < 1.25 * 0.7124 * np.sqrt(120 * 400**2)


def test_a_start_begins_the_walk_near_it(pond_field: Path) -> None:
    field = read_boundary(pond_field)
    corner = field.degrees(-200, -200)
    walk = plan_walk(field, 5, seed=2, start=corner)
    assert walk.length_m == pytest.approx(sum(s.from_last_m for s in walk.stops))
    assert walk.stops[0].from_last_m > 0


@pytest.mark.parametrize("apart_m", [200, 5_000, 50_000])
def test_parts_far_apart_have_stops_by_their_area(apart_m: float) -> None:
    """The box around both is nearly all outside: no walk was found in it."""
    corners = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], float)
    over = corners + [50.0, 0.0]  # half of it lies on the first: that ground counts once
    far = corners + apart_m
    field = Boundary(None, (LAT, LON), ((corners,), (over,), (far,)))
    walk = plan_walk(field, 10)
    away = sum(field.metres(stop.lat, stop.lon)[0] > apart_m - 1 for stop in walk.stops)
    assert away == pytest.approx(4, abs=1)  # parts of the walk are compact, not equal
    cover = random_cover(field, 0.0, np.random.default_rng(1))
    assert len(cover) == 3000
    for share, own in (
        (10_000 / 25_000, cover[:, 0] >= apart_m),
        (5_000 / 25_000, (cover[:, 0] >= 50) & (cover[:, 0] < 100)),
    ):
        error = (share * (1 - share) / 3000) ** 0.5
        assert own.mean() == pytest.approx(share, abs=4 * error)


def test_one_part_is_covered_as_it_always_was(pond_field: Path) -> None:
    """A seed that somebody has noted gives the same stops."""
    field = read_boundary(pond_field)
    corners = np.concatenate(field.rings_m)
    random = np.random.default_rng(3)
    drawn = np.concatenate(
        [random.uniform(corners.min(axis=0), corners.max(axis=0), (3000, 2)) for _ in range(2)]
    )
    kept = drawn[field.inside(drawn)]
    kept = kept[field.edge_distance(kept) >= 10.0]
    assert np.array_equal(random_cover(field, 10.0, np.random.default_rng(3)), kept[:3000])


def test_a_field_narrower_than_its_headlands(tmp_path: Path) -> None:
    field = read_boundary(saved(tmp_path, feature(square(18))))
    with pytest.raises(WalkPlanError, match="--headland"):
        plan_walk(field, 3)
    assert len(plan_walk(field, 3, headland_m=2).stops) == 3


BOW_TIE = [[LON, LAT], [LON + 0.01, LAT + 0.01], [LON + 0.01, LAT], [LON, LAT + 0.01], [LON, LAT]]
SWAPPED = [[46.1, -110.0], [46.1, -110.01], [46.11, -110.01], [46.1, -110.0]]
METRES = [[4.5e5, 4.6e6], [4.6e5, 4.6e6], [4.6e5, 4.7e6], [4.5e5, 4.6e6]]
FLAT = [[LON, LAT], [LON + 0.01, LAT], [LON + 0.02, LAT], [LON, LAT]]
WIDE = [[-95, 41], [-93, 41], [-93, 42], [-95, 41]]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("not json", "isn't GeoJSON"),
        ({"type": "Point", "coordinates": [LON, LAT]}, "no Polygon"),
        ({"type": "FeatureCollection", "features": []}, "no Polygon"),
        ([1, 2], "no Polygon"),
        (feature([[LON, LAT], [LON, LAT]]), "fewer than three"),
        (feature([["a", "b"], ["c", "d"], ["e", "f"]]), "isn't a list"),
        (feature(FLAT), "without area"),
        (feature(BOW_TIE), "crosses itself"),
        (feature(SWAPPED), "swapped"),
        (feature(METRES), "WGS84"),
        (feature(WIDE), "one field"),
    ],
)
def test_bad_boundaries(tmp_path: Path, content: Any, said: str) -> None:
    with pytest.raises(BoundaryError, match=said) as caught:
        read_boundary(saved(tmp_path, content))
    assert "\n" not in str(caught.value)


def test_a_coordinate_of_too_many_digits(tmp_path: Path) -> None:
    path = saved(tmp_path, feature([[10**400, LAT], [LON, LAT], [LON, LAT + 0.01]]))
    with pytest.raises(BoundaryError, match="isn't a list"):
        read_boundary(path)


@pytest.mark.parametrize(
    ("polygons", "area_m2"),
    [
        ([[square(200)], [square(200, 100)]], 60_000),  # they overlap
        ([[square(200)], [square(200, 200)]], 80_000),  # they share an edge
        ([[square(200, 200)], [square(200)[::-1]]], 80_000),
        ([[square(200)], [square(200, 100, 100)]], 70_000),  # only corners lie in the other
        ([[square(400)], [square(100, 50)]], 160_000),  # one lies in the other
        ([[square(200)], [square(200)]], 40_000),
        ([[square(400), square(100)], [square(200, 1000)]], 190_000),
        ([[square(400), square(200)], [square(100)]], 130_000),  # an island in the pond
        ([[square(400), square(200)], [square(200, 100)]], 140_000),  # half of the pond is filled
    ],
)
def test_parts_of_a_field_may_touch_overlap_and_lie_in_each_other(
    tmp_path: Path, polygons: list[list[list[list[float]]]], area_m2: float
) -> None:
    shape = {"type": "MultiPolygon", "coordinates": polygons}
    path = saved(tmp_path, {"type": "Feature", "properties": {"name": "N"}, "geometry": shape})
    field, (outline,) = read_boundary(path), read_outlines(path)
    assert field.area_m2 == pytest.approx(area_m2, rel=1e-3)
    # Off the edges, both ways of asking whether a point lies in the field agree.
    grid = np.stack(np.meshgrid(np.arange(-213.0, 1200, 17), np.arange(-213.0, 400, 17)), -1)
    points = grid.reshape(-1, 2)
    degrees = [(LAT + y / NORTH, LON + x / EAST) for x, y in points]
    held = np.array([outline.holds(*at) for at in degrees])
    inside = field.inside(np.array([field.metres(*at) for at in degrees]))
    assert (held == inside).all()
    assert inside.sum() * 17.0**2 == pytest.approx(area_m2, rel=0.15)
    assert run("plan", "--boundary", path).exit_code == 0


def test_a_missing_boundary(tmp_path: Path) -> None:
    with pytest.raises(BoundaryError, match="can't be read"):
        read_boundary(tmp_path / "none.geojson")


def test_several_fields_in_one_file(tmp_path: Path) -> None:
    both = [feature(square(400), name="North"), feature(square(200, 900), name="South")]
    path = saved(tmp_path, {"type": "FeatureCollection", "features": both})
    assert read_boundary(path, "South").area_m2 == pytest.approx(40_000, rel=1e-4)
    with pytest.raises(BoundaryError, match=r"--field \(North, South\)"):
        read_boundary(path)
    with pytest.raises(BoundaryError, match=r"no field 'East': it has North, South\.$"):
        read_boundary(path, "East")
    with pytest.raises(BoundaryError, match="no field 'south ': did you mean 'South'"):
        read_boundary(path, "south ")
    twins = [feature(square(400), name="North"), feature(square(200, 900), name="North")]
    path = saved(tmp_path, {"type": "FeatureCollection", "features": twins})
    for asked in ("North", None):  # parts of one field, as `batch --fields` has them
        assert read_boundary(path, asked).area_m2 == pytest.approx(200_000, rel=1e-4)
    with pytest.raises(BoundaryError, match="no field 'South'"):
        read_boundary(path, "South")
    some = [*twins, feature(square(100, 2000))]
    path = saved(tmp_path, {"type": "FeatureCollection", "features": some})
    assert read_boundary(path, "North").area_m2 == pytest.approx(200_000, rel=1e-4)
    with pytest.raises(BoundaryError, match=r"choose one by its name with --field \(North\)"):
        read_boundary(path)
    bare = [feature(square(400)), feature(square(200, 900))]
    path = saved(tmp_path, {"type": "FeatureCollection", "features": bare})
    with pytest.raises(BoundaryError, match="without names: give each feature"):
        read_boundary(path, "North")


def test_the_command_prints_stops(pond_field: Path) -> None:
    result = run("plan", "--boundary", pond_field)
    assert result.exit_code == 0
    assert "Walking plan: North quarter" in result.stdout
    assert "37.1 ac" in result.stdout  # 150 000 m2
    assert result.stdout.count("[  ]") == 12
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert run("plan", "--boundary", pond_field).stdout == result.stdout
    assert run("plan", "--boundary", pond_field, "--seed", 9).stdout != result.stdout


def test_the_command_writes_points(pond_field: Path, tmp_path: Path) -> None:
    out = tmp_path / "stops.geojson"
    result = run("plan", "--boundary", pond_field, "--format", "geojson", "--out", out)
    assert result.exit_code == 0
    stops = json.loads(out.read_text())["features"]
    assert len(stops) == 12
    lon, lat = stops[0]["geometry"]["coordinates"]
    assert (lon, lat) == pytest.approx((LON, LAT), abs=0.01)


def test_the_command_keeps_the_outline_that_it_read(pond_field: Path) -> None:
    before = pond_field.read_bytes()
    for form in ("page", "geojson"):
        result = run("plan", "--boundary", pond_field, "--format", form, "--out", pond_field)
        assert result.exit_code == 2
        assert "is the field's outline" in result.stderr
    assert pond_field.read_bytes() == before


def test_the_command_says_when_the_area_disagrees(pond_field: Path) -> None:
    result = run("plan", "--boundary", pond_field, "--area", "80ac")
    assert result.exit_code == 0
    assert "right field" in result.stderr


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("5000ac", "5,000 ac"),
        ("1200ac", "1,200 ac"),
        ("100ac", "100 ac"),
        ("12.5ac", "12.5 ac"),
        ("0.8ac", "0.8 ac"),
        ("2500ha", "2,500 ha"),
        ("0.00001ac", "under 0.001 ac"),
    ],
)
def test_areas_are_said_in_whole_numbers_and_never_by_powers_of_ten(area: str, said: str) -> None:
    page = run("plan", "--area", area).stdout
    assert f"Field            {said}\n" in page


def test_a_large_area_that_disagrees_is_said_in_whole_numbers(tmp_path: Path) -> None:
    wide = saved(tmp_path, feature(square(4500)))  # 2,025 ha
    said = run("plan", "--boundary", wide, "--area", "50ha").stderr
    assert "The outline holds 2,02" in said
    assert "ha, not 50ha: check that it is the right field" in said


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("2000ft", "2,000 ft"),
        ("2000 feet", "2,000 ft"),
        ("9000.5in", "9,000.5 in"),
        ("300", "300 m"),
        ("300m", "300 m"),
    ],
)
def test_a_headland_that_leaves_nothing_is_told_as_it_was_typed(
    pond_field: Path, typed: str, said: str
) -> None:
    result = run("plan", "--boundary", pond_field, "--headland", typed)
    assert result.exit_code == 2
    assert f"Nothing of the field is left {said} inside its edges: give" in result.stderr


def test_options_that_choose_stops_are_told_where_nothing_chooses_any(pond_field: Path) -> None:
    both = run("plan", "--area", "40ac", "--headland", 30, "--seed", 5)
    assert both.exit_code == 0
    said = "stops on a map, and there is none without an outline: add --boundary field.geojson.\n"
    assert both.stderr == f"--headland and --seed are for {said}"
    assert both.stdout == run("plan", "--area", "40ac").stdout
    assert run("plan", "--area", "40ac", "--seed", 0).stderr == f"--seed is for {said}"
    assert run("plan", "--area", "40ac").stderr == ""
    assert run("plan", "--boundary", pond_field, "--headland", 12, "--seed", 5).stderr == ""


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--start", "here"], 2, "latitude,longitude"),
        (["--start", "-93.6,41.5"], 2, "latitude,longitude"),
        (["--start", "10,10"], 2, "a forgotten minus sign"),
        (["--start", f"{LAT},{-LON}"], 2, f"did you mean {LAT},{LON}?"),
        (["--field", "East"], 2, "has no field 'East': it has"),
        (["--headland", "300"], 2, "--headland"),
        (["--out", "plan.geojson"], 2, "should end in .txt"),
        (["--out", "/nowhere/plan.txt"], 3, "isn't there: make it first"),
    ],
)
def test_the_command_asked_wrongly(
    pond_field: Path, words: list[str], status: int, said: str
) -> None:
    result = run("plan", "--boundary", pond_field, *words)
    assert result.exit_code == status
    assert said in result.stderr


@given(st.integers(1, 8), st.integers(1, 60), st.integers(0, 99))
def test_parts_are_never_empty_and_hold_every_place_once(parts: int, places: int, seed: int):
    random = np.random.default_rng(seed)
    cover = random.integers(0, 5, (places, 2)).astype(float)  # many of them the same
    if len(np.unique(cover, axis=0)) < parts:
        with pytest.raises(WalkPlanError, match="too small for its"):
            compact_parts(cover, parts, random)
        return
    cut = compact_parts(cover, parts, random)
    assert len(cut) == parts
    assert min(len(part) for part in cut) > 0
    assert sorted(map(tuple, np.concatenate(cut))) == sorted(map(tuple, cover))
