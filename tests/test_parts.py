"""Parts: two looks at pictures whose colours a tiny network reads without error."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from colour_network import (
    BLUE,
    GREEN,
    GREY,
    LINK_CELLS,
    MAGENTA,
    RED,
    YELLOW,
    bar,
    spot,
    write_network,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.ndimage import maximum_filter

from collarvision import network as network_module
from collarvision.looks import (
    better_box,
    card_boxes,
    find_plant,
    look_at_square,
    look_at_whole,
    ordinal_distribution,
    peaks,
    refined,
    square_about,
    tip_rounded,
)
from collarvision.network import (
    BACKGROUND,
    CARD,
    USABILITY_NAMES,
    ModelError,
    load_network,
    model_path,
)
from collarvision.parts import combine_usability, gather, read_parts, take_looks
from collarvision.photo import Photo


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return write_network(tmp_path_factory.mktemp("model") / "colours.onnx")


def photo(rgb):
    return Photo("drawn", rgb, "")


def coarse_photo(rgb, step):
    """A photo that was first decoded at every `step`th px."""

    def decode(at):
        size = (rgb.shape[1] // at, rgb.shape[0] // at)
        return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)

    return Photo("drawn", decode(step), "", step=step, decode=decode)


def picture(width, height, x, y, size):
    """A plant of `size` px: blue stalk up from (x, y), a green blade, a collar, a tip, a base."""
    rgb = np.full((height, width, 3), GREY, np.uint8)
    wide = max(4, round(size / 25))
    collar, tip = (x, y - 0.4 * size), (x + 0.5 * size, y - 0.9 * size)
    bar(rgb, round(x) - wide, round(y - size), round(x) + wide, round(y), BLUE)
    bar(rgb, round(x), round(tip[1]) - wide, round(tip[0]), round(tip[1]) + wide, GREEN)
    spot(rgb, *collar, size / 40, RED)
    spot(rgb, *tip, size / 40, YELLOW)
    spot(rgb, x, y, size / 40, MAGENTA)
    return rgb, collar, tip, (x, y)


@pytest.mark.parametrize(
    ("width", "height", "x", "y", "size"),
    [
        (960, 1280, 300.0, 1000.0, 700.0),
        (1280, 960, 1000.0, 700.0, 300.0),
        (1001, 777, 111.0, 765.0, 420.0),  # odd sizes, plant in the corner
        (400, 300, 200.0, 250.0, 200.0),  # smaller than the second look: enlarged
        (2600, 3400, 1200.0, 2900.0, 1500.0),
    ],
)
def test_keypoints_come_back_in_photo_px(model, width, height, x, y, size):
    rgb, collar, tip, base = picture(width, height, x, y, size)
    parts = read_parts(photo(rgb), model=model)
    cell = parts.px_per_map_px
    best = parts.collars[0]
    assert np.hypot(best.x - collar[0], best.y - collar[1]) < 0.8 * cell
    best = parts.tips[0]
    assert np.hypot(best.x - tip[0], best.y - tip[1]) < 0.8 * cell
    assert best.collar_x - best.x == pytest.approx(LINK_CELLS[0] * cell, rel=0.01)
    assert best.collar_y - best.y == pytest.approx(LINK_CELLS[1] * cell, rel=0.01)
    assert best.rank == pytest.approx(3.0, abs=1e-3)
    # Blue above the base and grey under it make this spot's heat lopsided: a wider bound.
    assert np.hypot(parts.base.x - base[0], parts.base.y - base[1]) < 1.2 * cell
    assert parts.model == "colours-1"
    # The crop holds the plant at about the size that the network was trained at.
    assert 110 < size / cell < 150


def test_a_careful_reading_agrees_on_where_things_are(model):
    rgb, collar, tip, _ = picture(960, 1280, 300.0, 1000.0, 700.0)
    parts = read_parts(photo(rgb), model=model, careful=True)
    cell = parts.px_per_map_px
    assert np.hypot(parts.collars[0].x - collar[0], parts.collars[0].y - collar[1]) < 0.8 * cell
    assert np.hypot(parts.tips[0].x - tip[0], parts.tips[0].y - tip[1]) < 0.8 * cell


def test_part_of_a_square_is_what_the_whole_of_it_shows_there(model):
    rgb, _, _, _ = picture(960, 1280, 300.0, 1000.0, 700.0)
    network = load_network(model)
    square = (100, 500, 400)
    whole = look_at_square(rgb, square, network)
    rows = whole.maps.shape[1]
    quarter = rows // 4
    upright = look_at_square(rgb, square, network, strip="upright")
    level = look_at_square(rgb, square, network, strip="level")
    assert upright.maps.shape == (network_module.MAP_CHANNELS, rows, rows // 2)
    assert level.maps.shape == (network_module.MAP_CHANNELS, rows // 2, rows)
    # The network of these tests looks no further than a cell, so the rest is the same.
    kept = slice(quarter + 2, 3 * quarter - 2)
    np.testing.assert_allclose(upright.maps[:, :, 2:-2], whole.maps[:, :, kept], atol=1e-4)
    np.testing.assert_allclose(level.maps[:, 2:-2], whole.maps[:, kept], atol=1e-4)
    for part, (column, row) in ((upright, (quarter, 0)), (level, (0, quarter))):
        at = whole.photo_from_map @ np.array([column, row, 1.0])
        np.testing.assert_allclose(part.photo_from_map[:, 2], at, atol=1e-6)


@pytest.mark.parametrize("careful", [False, True])
@pytest.mark.parametrize(
    ("x", "y", "size"),
    [
        (1200.0, 2900.0, 1700.0),  # large: read from the coarse pixels
        (1201.0, 2903.0, 600.0),  # small: read from all of them
    ],
)
def test_a_photo_decoded_at_half_its_size_has_its_parts_at_the_same_places(
    model, x, y, size, careful
):
    rgb, collar, tip, base = picture(2600, 3400, x, y, size)
    got = read_parts(coarse_photo(rgb, 2), model=model, careful=careful)
    whole = read_parts(photo(rgb), model=model, careful=careful)
    cell = got.px_per_map_px
    assert cell == pytest.approx(whole.px_per_map_px, rel=0.01)
    for point, true in ((got.collars[0], collar), (got.tips[0], tip)):
        assert np.hypot(point.x - true[0], point.y - true[1]) < 0.8 * cell
    assert np.hypot(got.base.x - base[0], got.base.y - base[1]) < 1.2 * cell
    assert got.plant_box_px == pytest.approx(whole.plant_box_px, abs=2 * cell)


def test_the_class_map_lies_over_the_photo(model):
    rgb, _, _, (x, y) = picture(960, 1280, 300.0, 1000.0, 700.0)
    parts = read_parts(photo(rgb), model=model)
    to_map = np.linalg.inv(np.vstack([parts.photo_from_map, [0, 0, 1]]))
    column, row, _ = np.round(to_map @ (x, y - 500.0, 1.0)).astype(int)
    assert parts.classes[row, column] == 2
    assert parts.classes[row, column + 20] == 0


@pytest.mark.parametrize(("cells", "shown"), [(0, False), (5, False), (6, True)])
def test_a_few_cells_of_card_show_a_card(model, cells, shown):
    look = look_at_whole(np.full((800, 600, 3), GREY, np.uint8), load_network(model))
    look.maps[BACKGROUND], look.maps[CARD] = 5.0, 0.0
    look.maps[CARD, 20, 10 : 10 + cells] = 5.0
    boxes = card_boxes(look)
    assert bool(boxes) is shown
    if shown:
        x0, y0, x1, y1 = boxes[0]
        assert (x1 - x0) / (y1 - y0) == pytest.approx(cells)
        to_map = np.linalg.inv(np.vstack([look.photo_from_map, [0, 0, 1]]))
        middle = to_map @ ((x0 + x1) / 2, (y0 + y1) / 2, 1.0)
        assert middle[:2] == pytest.approx([9.5 + cells / 2, 20.0])


def test_a_plant_off_the_middle_is_found(model):
    rgb, *_ = picture(1600, 1200, 1300.0, 1100.0, 500.0)
    x0, y0, x1, y1 = find_plant(look_at_whole(rgb, load_network(model)))
    assert x0 == pytest.approx(1280, abs=40)
    assert x1 == pytest.approx(1550, abs=40)
    assert y0 == pytest.approx(600, abs=40)
    assert y1 == pytest.approx(1100, abs=40)


def test_a_bigger_plant_behind_without_stalk_or_base_is_left_out(model):
    rgb, *_ = picture(1600, 1200, 400.0, 1100.0, 500.0)
    bar(rgb, 1000, 100, 1500, 700, GREEN)
    parts = read_parts(photo(rgb), model=model)
    assert parts.plant_box_px[2] < 800


@pytest.mark.parametrize(
    ("away", "seen"),
    [
        (500, 1),  # another plant, out of the crop
        (180, 1),  # beside it, in the crop
        (12, 0),  # the same base, found twice
    ],
)
def test_a_second_base_is_seen_where_another_plant_stands(model, away, seen):
    rgb, *_ = picture(1600, 1200, 500.0, 1100.0, 500.0)
    for x in (500.0, 500.0 + away):
        spot(rgb, x, 1100.0, 30 if seen else 14, MAGENTA)
    parts = read_parts(photo(rgb), model=model)
    assert len(parts.other_bases) == seen
    # Which of the two is read is not asked here.
    found = sorted(point.x for point in (parts.base, *parts.other_bases))
    assert found == pytest.approx([500.0, 500.0 + away][: seen + 1], abs=25)


def test_a_faint_second_base_needs_both_looks(model):
    rgb, *_ = picture(1600, 1200, 500.0, 1100.0, 500.0)
    looks = take_looks(photo(rgb), model=model)
    cell = looks.first.photo_from_map[0, 0]
    heat = looks.first.maps[7]
    column = round((500.0 + 180.0 - looks.first.photo_from_map[0, 2]) / cell)
    row = round((1100.0 - looks.first.photo_from_map[1, 2]) / cell)
    heat[row, column] = -0.8  # P = 0.31
    assert gather(looks).other_bases == ()
    x, y = 680.0, 1100.0
    at = np.linalg.inv(np.vstack([looks.second.photo_from_map, [0, 0, 1]])) @ (x, y, 1.0)
    looks.second.maps[7][round(at[1]), round(at[0])] = -1.0  # P = 0.27
    (other,) = gather(looks).other_bases
    assert np.hypot(other.x - x, other.y - y) < cell


def test_a_crop_that_cuts_the_plant_is_taken_again(model, monkeypatch):
    rgb, _, tip, _ = picture(960, 1280, 300.0, 1000.0, 700.0)
    monkeypatch.setattr("collarvision.parts.find_plant", lambda look: (250.0, 500.0, 560.0, 1000.0))
    parts = read_parts(photo(rgb), model=model)
    # The bad box leaves the tip out; the second one, read off the cut crop, must hold it.
    assert np.hypot(parts.tips[0].x - tip[0], parts.tips[0].y - tip[1]) < parts.px_per_map_px


@pytest.mark.parametrize(("size", "seen"), [(20, False), (180, True)])
def test_a_speck_is_no_plant(model, size, seen):
    rgb = np.full((1200, 900, 3), GREY, np.uint8)
    bar(rgb, 400, 600, 400 + size, 600 + size, GREEN)
    network = load_network(model)
    assert (find_plant(look_at_whole(rgb, network)) is not None) is seen
    look = look_at_square(rgb, (-150, 0, 1200), network)
    assert (better_box(look, None, (900, 1200)) is not None) is seen


def test_an_empty_photo_gives_no_parts(model):
    parts = read_parts(photo(np.full((300, 400, 3), GREY, np.uint8)), model=model)
    assert parts.collars == ()
    assert parts.tips == ()
    assert parts.base is None
    assert parts.plant_box_px is None


@pytest.mark.parametrize("shape", [(1, 1), (1, 900), (2000, 3), (33, 31)])
def test_odd_photos_do_not_break_it(model, shape):
    parts = read_parts(photo(np.full((*shape, 3), GREEN, np.uint8)), model=model)
    assert parts.classes.shape == (160, 160)


def test_outside_the_photo_the_crop_is_grey(model):
    rgb = np.full((200, 200, 3), GREEN, np.uint8)
    square = square_about((100.0, 100.0, 300.0, 300.0), (200, 200))
    look = look_at_square(rgb, square, load_network(model))
    blade = look.maps[1] > 0
    rows, columns = np.nonzero(blade)
    x, y = look.photo_from_map @ np.array([[columns.max()], [rows.max()], [1]])
    assert x[0] < 200
    assert y[0] < 200
    assert blade.any()
    assert not blade.all()


@settings(max_examples=30, deadline=None)
@given(arrays(np.float32, (12, 15), elements=st.floats(-4, 4, width=32)))
def test_peaks_are_local_maxima(heat):
    # Reference: scipy.ndimage.maximum_filter.
    rows, columns, scores = peaks(heat, None, 0.3, 0.5)
    expected = (maximum_filter(heat, 3) == heat) & (heat >= np.log(0.3 / 0.7))
    assert len(rows) == expected.sum()
    assert expected[rows.astype(int), columns.astype(int)].all()
    assert (np.diff(scores) <= 0).all()


def test_close_peaks_leave_the_better_one_and_offsets_move_it():
    heat = np.full((20, 20), -9.0, np.float32)
    heat[5, 5], heat[5, 7] = 2.0, 3.0
    offsets = np.zeros((2, 20, 20), np.float32)
    offsets[0, 5, 5], offsets[0, 5, 7] = 0.9, -0.3
    rows, columns, _ = peaks(heat, offsets, 0.2, 1.3)
    assert columns == pytest.approx([6.7])
    offsets[0, 5, 5] = -0.4
    rows, columns, _ = peaks(heat, offsets, 0.2, 1.3)
    assert columns == pytest.approx([6.7, 4.6])
    assert rows == pytest.approx([5.0, 5.0])


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(1.5, 2.5), st.floats(0.5, 0.95))
def test_the_peak_of_a_bell_is_found_within_a_tenth_of_a_cell(dx, dy, sigma, top):
    rows, columns = np.indices((21, 21)).astype(float)
    bell = top * np.exp(-0.5 * ((columns - 10 - dx) ** 2 + (rows - 9 - dy) ** 2) / sigma**2)
    heat = np.log(bell + 1e-6) - np.log(1 - bell)
    x, y = refined(heat, 9, 10)
    assert x == pytest.approx(10 + dx, abs=0.1)
    assert y == pytest.approx(9 + dy, abs=0.1)


@settings(max_examples=40)
@given(arrays(float, 12, elements=st.floats(-30, 30)))
def test_ordinal_answers_become_a_distribution(logits):
    p = ordinal_distribution(logits)
    assert p.shape == (13,)
    assert (p >= 0).all()
    assert p.sum() == pytest.approx(1.0)


def test_ordinal_answers_say_the_stage():
    logits = np.where(np.arange(1, 13) <= 5, 8.0, -8.0)
    assert ordinal_distribution(logits).argmax() == 5
    assert ordinal_distribution(np.full(12, -8.0)).argmax() == 0


@settings(max_examples=40)
@given(arrays(float, (2, 7), elements=st.floats(-10, 10)))
def test_usability_sums_to_one(logits):
    p = combine_usability(*logits)
    assert tuple(p) == USABILITY_NAMES
    assert sum(p.values()) == pytest.approx(1.0)


def test_several_plants_is_the_whole_photos_matter():
    whole, crop = np.zeros(7), np.zeros(7)
    whole[2] = 9.0  # several
    crop[0] = 9.0  # ok: the crop shows one plant
    assert combine_usability(whole, crop)["several"] > 0.9
    assert combine_usability(crop, whole)["several"] < 0.1


def test_the_model_is_found_and_a_missing_one_is_named(tmp_path, model, monkeypatch):
    monkeypatch.setenv(network_module.MODEL_VARIABLE, str(model))
    assert model_path() == model
    with pytest.raises(ModelError, match="missing"):
        model_path(tmp_path / "none.onnx")


def test_a_broken_model_is_one_sentence(tmp_path):
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"not a network")
    with pytest.raises(ModelError, match="can't be read"):
        load_network(broken)


def test_a_model_of_another_version_is_refused(tmp_path):
    other = write_network(tmp_path / "other.onnx", maps=25 + 1)
    with pytest.raises(ModelError, match="another version"):
        load_network(other)


def test_a_network_of_fewer_maps_is_of_another_version(tmp_path, model):
    """One that tells nothing of leaf tops was read once, beside those that do."""
    rgb, *_ = picture(960, 1280, 300.0, 1000.0, 700.0)
    with pytest.raises(ModelError, match="another version"):
        read_parts(photo(rgb), model=write_network(tmp_path / "fewer.onnx", maps=20))
    assert read_parts(photo(rgb), model=model).tops is not None


def test_a_network_is_opened_once(model):
    assert load_network(model) is load_network(model)


@settings(max_examples=60, deadline=None)
@given(st.floats(-8, 8), st.floats(-8, 8))
def test_a_torn_tip_says_little_of_its_shape_and_a_whole_one_all(shape, whole):
    maps = np.zeros((25, 2, 2), np.float32)
    maps[14], maps[24] = shape, whole
    told = 1 / (1 + np.exp(-shape)) - 0.5
    share = (tip_rounded(maps, (0, 0)) - 0.5) / told if abs(told) > 1e-3 else None
    if share is not None:
        assert share == pytest.approx(1 / (1 + np.exp(-whole)), abs=1e-3)
    maps[24] = 40.0
    assert tip_rounded(maps, (0, 0)) == pytest.approx(told + 0.5, abs=1e-6)
