"""Zones of unlike growth: cells, zones against scikit-learn and the invention, rings, GeoJSON."""

from __future__ import annotations

import json
from dataclasses import replace

import geojson
import numpy as np
import pytest
from flights import FLAT, FLOWN, METRES, ORIGIN, SLOPE, flown, outline, zoned
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from sklearn.cluster import AgglomerativeClustering
from sklearn.metrics import adjusted_rand_score

from collarvision.demo.invented import invent_field
from collarvision.walk.cells import grid
from collarvision.walk.flight import FlightError, flight_of
from collarvision.walk.outline import _trace, middle_of, zone_polygon, zone_rings
from collarvision.walk.surface import draw_surface, places_of
from collarvision.walk.zones import _ward, find_zones

# --- cells ---


def test_cells_cover_the_field_and_count_their_plants() -> None:
    flight, zones = zoned()
    cells = zones.cells
    assert cells.weight.sum() == pytest.approx(1)
    assert len(cells) * cells.side_m**2 == pytest.approx(300 * 240, rel=0.05)
    busiest = int(cells.plants.argmax())
    own = (np.abs(flight.x_m - cells.x_m[busiest]) <= cells.side_m / 2) & (
        np.abs(flight.y_m - cells.y_m[busiest]) <= cells.side_m / 2
    )
    assert own.sum() == cells.plants[busiest]
    assert len(cells.places_m) == len(flight.photos)
    assert np.allclose(cells.stages.sum(axis=1), 1)
    assert (cells.at(cells.points_m) == np.arange(len(cells))).all()
    assert 0.05 < cells.seen.mean() < 0.9
    # Against the invention itself: a cell's collars go with its mean leaf number, seen or not.
    truth = SLOPE.mean_leaves(cells.x_m, cells.y_m)
    assert np.corrcoef(truth, cells.collars)[0, 1] > 0.9


def test_the_surface_is_nadaraya_and_watsons() -> None:
    """Weighted means by scipy's normal density, at the width that was chosen."""
    random = np.random.default_rng(2)
    points, plants = random.uniform(0, 300, (40, 2)), random.integers(50, 400, 40)
    values = np.column_stack([np.sin(points[:, 0] / 60), random.normal(0, 1, 40)])
    surface = draw_surface(points, plants, values, np.array([0, 1]))
    asked = random.uniform(0, 300, (6, 2))
    found = surface.at(asked)
    for k in range(2):
        gaps = np.linalg.norm(asked[:, None] - points, axis=2)
        weight = norm.pdf(gaps, 0, surface.width_m[k]) * plants / (plants + 20)
        expected = (weight * values[:, k]).sum(axis=1) / weight.sum(axis=1)
        assert found[:, k] == pytest.approx(expected, abs=1e-3)
    # What goes smoothly over the field is drawn sharply, and mere noise isn't.
    assert surface.width_m[0] < surface.width_m[1]
    assert surface.error[1] == pytest.approx(1.0, abs=0.3)


def test_photos_that_each_err_make_no_zones_in_an_even_field() -> None:
    """As a weak network reads them: half a tip's error a photo, a quarter of the plants missed."""
    cut = 0
    for seed in range(8):
        field = replace(FLAT, photo_error=0.53, found=0.72, seed=seed)
        flight = flight_of(field.fly(ORIGIN, METRES, FLOWN, photos=40), outline(field))
        cells = grid(flight)
        cut += len(find_zones(flight, cells)) > 1
        assert cells.error[0] == pytest.approx(0.53, abs=0.2)
    assert cut <= 1  # one in thirty, of the first thirty seeds
    unlike = replace(SLOPE, photo_error=0.53, found=0.72)
    flight = flight_of(unlike.fly(ORIGIN, METRES, FLOWN, photos=40), outline(unlike))
    assert len(find_zones(flight, grid(flight))) >= 2


def test_an_orthomosaic_is_seen_in_blocks() -> None:
    """The same plants in one picture: places are its blocks, and the zones are the same."""
    flight, zones = zoned()
    one = replace(flight, frame=np.zeros(len(flight), int), photos=("ortho.tif",))
    assert len(np.unique(places_of(one, 20.0))) >= len(flight.photos)
    found = find_zones(one, grid(one))
    assert adjusted_rand_score(zones.zone, found.zone) > 0.7
    many = draw_surface(np.random.default_rng(0).uniform(0, 900, (2000, 2)), np.full(2000, 50),
                        np.zeros((2000, 1)), np.array([0]))  # fmt: skip
    assert len(many.points_m) == 1500


def test_a_field_seen_whole_needs_no_neighbours_and_a_sliver_has_no_cells() -> None:
    small = replace(SLOPE, size_m=(40.0, 30.0), patches=())
    field = small.fly(ORIGIN, METRES, FLOWN, photos=4, frame_m=(22.0, 17.0))
    assert grid(flight_of(field, outline(small))).seen.all()
    flight, _ = zoned()
    across = np.array([[0, 0], [300, 239.9], [300, 240], [0, 0.1]], float)
    with pytest.raises(FlightError, match="too narrow for zones"):
        grid(replace(flight, boundary=replace(flight.boundary, polygons_m=((across,),))))


def test_a_flight_over_a_part_says_that_the_rest_is_a_guess() -> None:
    part = replace(flown(), frames=tuple(
        one for one in flown().frames
        if one.georeference is not None and one.georeference.lon < ORIGIN[1] + 100 / METRES[1]
    ))  # fmt: skip
    flight = flight_of(part, outline(SLOPE))
    cells = grid(flight)
    # By the plants furthest east: 60 m beyond them it begins.
    assert cells.far == pytest.approx((300 - flight.x_m.max() - 60) / 300, abs=0.05)
    assert (
        "from any photo, and what is said of that is a guess" in find_zones(flight, cells).sentence
    )
    assert zoned()[1].cells.far == 0.0


# --- zones ---


def test_zones_are_the_parts_that_were_invented() -> None:
    _, zones = zoned()
    assert [zone.letter for zone in zones.zones] == list("ABC")[: len(zones)]
    assert len(zones) == 3
    ahead, behind = (p.inside(zones.cells.x_m, zones.cells.y_m) > 0.5 for p in SLOPE.patches)
    truth = np.where(ahead, 0, np.where(behind, 2, 1))
    assert adjusted_rand_score(truth, zones.zone) > 0.7
    collars = [zone.collars for zone in zones.zones]
    assert collars == sorted(collars, reverse=True)
    assert sum(zone.share for zone in zones.zones) == pytest.approx(1)
    assert zones.zones[2].missing > zones.zones[0].missing
    assert "3 zones" in zones.sentence


def test_an_even_field_is_one_zone() -> None:
    _, zones = zoned(FLAT)
    assert len(zones) == 1
    assert zones.sentence.startswith("Even from above")


def test_even_fields_are_rarely_cut() -> None:
    cut = 0
    for seed in range(12):
        field = replace(invent_field(seed, even=True), drift=0.15, seen_drift=0.1, rows=0.1)
        flight = flight_of(field.fly(ORIGIN, METRES, FLOWN, photos=30), outline(field))
        cut += len(find_zones(flight, grid(flight))) > 1
    assert cut <= 1


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_joining_is_wards_as_scikit_learn_has_it(seed: int) -> None:
    """scikit-learn's Ward linkage with a grid's links; only we join parts that are too small."""
    from scipy.sparse import coo_array

    _, zones = zoned()
    cells = zones.cells
    random = np.random.default_rng(seed)
    growth = np.column_stack([cells.collars, cells.tips]) + random.normal(0, 0.05, (len(cells), 2))
    pairs = cells.neighbours()
    both = np.vstack([pairs, pairs[:, ::-1]])
    links = coo_array((np.ones(len(both)), both.T), shape=(len(cells), len(cells)))
    reference = AgglomerativeClustering(4, linkage="ward", connectivity=links.tocsr()).fit(growth)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("collarvision.walk.zones._SMALLEST", 0.0)
        assert adjusted_rand_score(reference.labels_, _ward(cells, growth, 5)[4]) > 0.99
    for count, labels in _ward(cells, growth, 5).items():
        assert len(np.unique(labels)) == count
        assert min(np.bincount(labels)) >= 0.04 * len(cells) or count == 1


def test_zones_are_in_one_piece_each() -> None:
    from scipy.ndimage import label

    _, zones = zoned()
    index = zones.cells.index
    for number in range(len(zones)):
        own = np.where(index >= 0, zones.zone[index], -1) == number
        assert label(own)[1] == 1


def test_a_field_in_two_parts() -> None:
    """A bridge joins the parts of a MultiPolygon, so that their cells make one field."""
    flight, _ = zoned()
    left = np.array([[0, 0], [130, 0], [130, 240], [0, 240]], float)
    parted = replace(flight.boundary, polygons_m=((left,), (left + [170.0, 0.0],)))
    both = flight_of(flown(), parted)
    zones = find_zones(both, grid(both))
    assert 1 < len(zones) <= 5
    assert sum(zone.area_m2 for zone in zones.zones) == pytest.approx(2 * 130 * 240, rel=0.05)


# --- outlines ---


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.2, 0.8))
def test_rings_hold_what_they_were_drawn_around(seed: int, share: float) -> None:
    """Areas by the shoelace formula, holes negative, against counting the cells."""
    own = np.random.default_rng(seed).random((9, 11)) < share
    area = 0.0
    for ring in _trace(own):
        x, y = np.array(ring).T
        area += float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2
        assert len(ring) >= 4
        steps = np.abs(np.diff(np.array([*ring, ring[0]]), axis=0))
        assert (np.minimum(steps[:, 0], steps[:, 1]) == 0).all()  # along the grid
    assert area == own.sum()


def test_zones_as_geojson_are_valid_and_as_large() -> None:
    """Validity by the geojson package; RFC 7946, 3.1.6: outer rings anticlockwise, closed."""
    flight, zones = zoned()
    for number, zone in enumerate(zones.zones):
        shape = zone_polygon(flight, zones, number)
        assert geojson.loads(json.dumps(shape)).is_valid
        for rings in shape["coordinates"]:
            x, y = np.array(rings[0]).T
            assert rings[0][0] == rings[0][-1]
            assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0
        area = sum(
            abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2 * (1 if k == 0 else -1)
            for rings in shape["coordinates"]
            for k, ring in enumerate(rings)
            for x, y in [(np.array(ring) - ring[0]).T * np.array(METRES)[::-1, None]]
        )
        assert area == pytest.approx(zone.area_m2, rel=0.01)


def test_a_zone_around_another_has_a_hole() -> None:
    flight, zones = zoned()
    cells = zones.cells
    middle = np.hypot(cells.x_m - 150, cells.y_m - 120) < 50
    ringed = replace(zones, zone=np.where(middle, 1, 0), zones=zones.zones[:2])
    outer = zone_polygon(flight, ringed, 0)["coordinates"]
    assert [len(rings) for rings in outer] == [2]
    assert len(zone_rings(ringed, 1)) == 1
    # Past the edges the two cover the whole grid, and the letter stands inside.
    assert len(zone_rings(ringed, 0, past_edges=True)) == 2
    x, y = middle_of(ringed, 0, np.array([[150.0, 20.0]]))
    assert ringed.at(np.array([[x, y]]))[0] == 0
    assert np.hypot(x - 150, y - 20) > 30
