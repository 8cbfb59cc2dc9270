"""Ground scale: by height and lens, by a card, by rows; refused with a sentence without them."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_field import SOIL, draw, height_for, jpeg, packet, plant
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.above.ground import COARSEST_MM, focal_px, straight_down, tilted
from collarvision.above.groundcard import find_ground_card
from collarvision.above.pixelrows import find_pixel_rows
from collarvision.above.rowspacings import ROWS_ERROR
from collarvision.above.scale import Stated, find_scale
from collarvision.above.tilt import NoScale
from collarvision.photo import Photo, load_photo

WIDE, TALL = 1600, 1200


def picture(mm_per_px: float = 2.0, **planting: float) -> np.ndarray:
    width, height = WIDE * mm_per_px / 1000, TALL * mm_per_px / 1000
    return draw(plant(width, height, **planting), WIDE, TALL, mm_per_px)


def flown(rgb: np.ndarray, **notes: float) -> Photo:
    return load_photo(jpeg(rgb, **notes), "flight.jpg")


def blank(width: int = 800, height: int = 600, focal_eq_mm: float | None = 24.0) -> Photo:
    rgb = np.full((height, width, 3), SOIL, np.uint8)
    return Photo(name="blank.jpg", decoded=rgb, sha256="0" * 64, focal_eq_mm=focal_eq_mm)


@pytest.fixture(scope="module")
def rows_2mm() -> np.ndarray:
    return picture(2.0)


# --------------------------------------------------------------------------- by height


def test_height_and_lens_give_the_scale_of_the_sensor_arithmetic() -> None:
    """A sensor 13.2 mm wide (a one-inch type) of 5472 px behind 8.8 mm, 10 m up: similar triangles.

    13.2 / 5472 * 10,000 / 8.8 = 2.741 mm a pixel. Its 35 mm equivalent is 8.8 * 43.27 / 15.86 = 24.
    """
    by_hand = 13.2 / 5472 * 10_000 / 8.8
    photo = Photo(
        name="p",
        decoded=np.zeros((3648 // 4, 5472 // 4, 3), np.uint8),
        sha256="",
        focal_eq_mm=24.0,
        step=4,
        decode=lambda step: np.zeros((3648 // step, 5472 // step, 3), np.uint8),
    )
    scaled = find_scale(photo, Stated(height_m=10.0))
    assert scaled.scale.source == "stated"
    assert scaled.scale.mm_per_px == pytest.approx(by_hand, rel=0.005)
    assert scaled.scale.relative_error > 0.05


def test_a_low_flight_knows_its_height_badly(rows_2mm: np.ndarray) -> None:
    high = height_for(2.0, WIDE, TALL)
    takeoff = find_scale(flown(rows_2mm, RelativeAltitude=high, GimbalPitchDegree=-90), Stated())
    ground = find_scale(
        flown(rows_2mm, RelativeAltitude=99, AboveGroundAltitude=high, GimbalPitchDegree=-90),
        Stated(),
    )
    for scaled in (takeoff, ground):
        assert scaled.scale.source == "exif"
        assert scaled.scale.mm_per_px == pytest.approx(2.0, rel=0.01)
    assert takeoff.scale.relative_error == pytest.approx(math.hypot(0.5 / high, 0.03), rel=0.02)
    assert ground.scale.relative_error < takeoff.scale.relative_error


# --------------------------------------------------------------------------- by rows


@pytest.mark.parametrize(
    ("mm_per_px", "spacing_m", "angle"), [(2.0, 0.762, 12), (3.0, 0.5, 170), (4.0, 0.762, 95)]
)
def test_rows_that_the_user_states_give_the_scale(
    mm_per_px: float, spacing_m: float, angle: float
) -> None:
    photo = flown(picture(mm_per_px, row_spacing_m=spacing_m, angle_deg=angle))
    scaled = find_scale(photo, Stated(row_spacing_m=spacing_m))
    assert scaled.scale.source == "rows"
    assert scaled.scale.mm_per_px == pytest.approx(mm_per_px, rel=0.03)
    assert scaled.scale.relative_error >= ROWS_ERROR  # a planter's own, however clear the rows
    assert scaled.rows is not None
    assert scaled.rows.angle_deg == pytest.approx(angle, abs=1.5)


def test_a_wrong_height_loses_against_the_rows(rows_2mm: np.ndarray) -> None:
    photo = flown(rows_2mm, RelativeAltitude=2 * height_for(2.0, WIDE, TALL), GimbalPitchDegree=-90)
    scaled = find_scale(photo, Stated(row_spacing_m=0.762))
    assert scaled.scale.source == "rows"
    assert scaled.scale.mm_per_px == pytest.approx(2.0, rel=0.03)
    assert any("is believed" in note for note in scaled.scale.notes)


def test_agreeing_sources_are_surer_together(rows_2mm: np.ndarray) -> None:
    photo = flown(rows_2mm, RelativeAltitude=height_for(2.1, WIDE, TALL), GimbalPitchDegree=-90)
    alone = find_scale(photo, Stated())
    both = find_scale(photo, Stated(row_spacing_m=0.762))
    assert both.scale.relative_error < alone.scale.relative_error
    assert both.scale.mm_per_px == pytest.approx(2.0, rel=0.02)


def test_pixel_rows_need_rows() -> None:
    rng = np.random.default_rng(0)
    weeds = np.clip(rng.normal(SOIL, 9, (900, 1200, 3)), 0, 255).astype(np.uint8)
    assert find_pixel_rows(weeds) is None
    for x, y in rng.uniform(0, 1, (500, 2)) * (1200, 900):
        cv2.circle(weeds, (int(x), int(y)), 8, (40, 170, 40), -1)
    assert find_pixel_rows(weeds) is None
    assert find_pixel_rows(np.full((60, 60, 3), (40, 170, 40), np.uint8)) is None
    # One row alone has no spacing.
    one = np.full((900, 1200, 3), SOIL, np.uint8)
    cv2.line(one, (0, 400), (1200, 500), (40, 170, 40), 30)
    assert find_pixel_rows(one) is None


# --------------------------------------------------------------------------- by a card


def with_card(mm_per_px: float, turn_deg: float = 25.0) -> np.ndarray:
    """A soil with the scale card lying on it, seen from straight above."""
    fine = 10.0
    card = np.full((round(210 * fine), round(148 * fine)), 240, np.uint8)
    marks = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for number, (x, y) in enumerate(((8, 8), (104, 8), (104, 166), (8, 166))):
        side = round(36 * fine)
        top, left = round(y * fine), round(x * fine)
        card[top : top + side, left : left + side] = cv2.aruco.generateImageMarker(
            marks, number, side
        )
    a = math.radians(turn_deg)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]]) / (fine * mm_per_px)
    matrix = np.hstack([turn, [[700.3], [500.7]]])
    soft = cv2.GaussianBlur(card, (0, 0), 0.35 * fine * mm_per_px)
    rng = np.random.default_rng(0)
    rgb = np.clip(rng.normal(SOIL, 9, (1500, 2000, 3)), 0, 255).astype(np.uint8)
    seen = cv2.warpAffine(soft, matrix, (2000, 1500))
    shape = cv2.warpAffine(np.full(card.shape, 255, np.uint8), matrix, (2000, 1500))
    rgb[shape > 127] = seen[shape > 127][:, None]
    return rgb


@pytest.mark.parametrize("mm_per_px", [0.8, 1.5, 2.4])
def test_a_card_on_the_ground_gives_the_scale(mm_per_px: float) -> None:
    photo = flown(with_card(mm_per_px))
    card = find_ground_card(photo)
    assert card is not None
    assert card.mm_per_px == pytest.approx(mm_per_px, rel=0.01)
    scaled = find_scale(photo, Stated())
    assert scaled.scale.source == "card"
    assert scaled.scale.mm_per_px == pytest.approx(mm_per_px, rel=0.01)
    shrunk_print = find_scale(photo, Stated(check_bar_mm=97.0))
    assert shrunk_print.scale.mm_per_px == pytest.approx(0.97 * mm_per_px, rel=0.01)


def test_a_white_stone_is_no_card() -> None:
    rgb = np.full((1500, 2000, 3), SOIL, np.uint8)
    cv2.rectangle(rgb, (600, 400), (700, 540), (245, 245, 245), -1)
    cv2.rectangle(rgb, (1990, 1490), (2000, 1500), (245, 245, 245), -1)
    cv2.line(rgb, (0, 800), (1999, 820), (250, 250, 250), 12)
    assert find_ground_card(flown(rgb)) is None


# --------------------------------------------------------------------------- refused


def refusal(photo: Photo, stated: Stated = Stated()) -> NoScale:  # noqa: B008 - frozen
    with pytest.raises(NoScale) as caught:
        find_scale(photo, stated)
    return caught.value


def test_nothing_is_measured_without_a_scale(rows_2mm: np.ndarray) -> None:
    bare = np.full((600, 800, 3), SOIL, np.uint8)
    cases = {
        "no height above the ground": flown(rows_2mm),
        "only a height above the sea (312 m)": flown(rows_2mm, sea_m=312.0),
        "lacks the camera's focal length": flown(rows_2mm, focal_eq_mm=None, RelativeAltitude=8),
    }
    for words, photo in cases.items():
        found = refusal(photo)
        assert words in str(found)
        assert "--rows" in str(found)
    assert refusal(cases["only a height above the sea (312 m)"]).code == "sea-height"
    lens = str(refusal(flown(bare), Stated(row_spacing_m=0.76)))
    assert "No rows can be made out" in lens
    assert "--height" in lens
    no_lens = flown(bare, focal_eq_mm=None)
    assert "A height alone" in str(refusal(no_lens, Stated(height_m=5.0)))


def test_no_advice_asks_for_what_was_given_or_cannot_help(rows_2mm: np.ndarray) -> None:
    bare = np.full((600, 800, 3), SOIL, np.uint8)
    no_lens = flown(bare, focal_eq_mm=None)
    # Without a lens no height tells a scale, so that neither option is left.
    for stated in (Stated(row_spacing_m=0.76), Stated(row_spacing_m=0.76, height_m=6.0)):
        said = str(refusal(no_lens, stated))
        assert "--" not in said
        assert "the camera's own file, or lay the printed card down" in said
    for sea in ({}, {"sea_m": 312.0}):
        said = str(refusal(flown(bare, focal_eq_mm=None, **sea)))
        assert "--rows" in said
        assert "--height" not in said
    high = refusal(
        flown(bare, RelativeAltitude=312, GimbalPitchDegree=-90), Stated(row_spacing_m=0.76)
    )
    assert "--height" in str(high)
    assert "--rows" not in str(high)
    # Rows do tell it where a height was given too.
    both = find_scale(flown(rows_2mm, focal_eq_mm=None), Stated(0.762, height_m=6.0))
    assert both.scale.source == "rows"


def test_another_commands_user_is_told_whose_options_they_are(rows_2mm: np.ndarray) -> None:
    other = Stated(by_above=False)
    for photo in (
        flown(rows_2mm),
        flown(rows_2mm, sea_m=312.0),
        flown(rows_2mm, focal_eq_mm=None, RelativeAltitude=8),
        flown(rows_2mm, RelativeAltitude=312, GimbalPitchDegree=-90),
    ):
        said = str(refusal(photo, other))
        assert said.count("`collarvision above --") == said.count("--") > 0
    assert repr(other) == repr(Stated())  # a kept photo is known by it


def test_a_height_above_the_sea_given_as_above_ground_is_found_out(rows_2mm: np.ndarray) -> None:
    found = refusal(flown(rows_2mm, RelativeAltitude=312, GimbalPitchDegree=-90))
    assert found.code == "sea-height"
    assert "above the sea" in str(found)
    assert "rows would lie" in str(found)
    # Without rows to compare: no lens shows leaves over so much ground.
    bare = np.full((600, 800, 3), SOIL, np.uint8)
    found = refusal(flown(bare, RelativeAltitude=312, GimbalPitchDegree=-90))
    assert found.code == "sea-height"
    assert "too much to see a leaf" in str(found)
    low = refusal(flown(rows_2mm), Stated(height_m=0.5))
    assert "cm apart" in str(low)
    stated = refusal(flown(rows_2mm), Stated(height_m=140.0))
    assert "you gave" in str(stated)


def test_tilt_beyond_reach_is_said(rows_2mm: np.ndarray) -> None:
    far = refusal(flown(rows_2mm, RelativeAltitude=8, GimbalPitchDegree=-30))
    assert far.code == "tilted"
    assert "60°" in str(far)
    blind = refusal(flown(rows_2mm, focal_eq_mm=None, RelativeAltitude=8, GimbalPitchDegree=-60))
    assert "focal length" in str(blind)
    # Past straight down the upper edge is the near one: ahead by as much is no answer.
    for pitch in (-94.0, -105.0, -150.0):
        past = refusal(flown(rows_2mm, RelativeAltitude=8, GimbalPitchDegree=pitch))
        assert past.code == "tilted"
        assert f"{-90 - pitch:.0f}° past straight down" in str(past)
        assert "point it straight down (-90°)" in str(past)
    about = flown(rows_2mm, RelativeAltitude=height_for(2.0, WIDE, TALL), GimbalPitchDegree=-92)
    assert find_scale(about, Stated()).scale.tilt_deg == 0.0


def test_a_camera_that_hung_aslant_is_said(rows_2mm: np.ndarray) -> None:
    high = height_for(2.0, WIDE, TALL)
    notes = {"RelativeAltitude": high, "GimbalPitchDegree": -90.0}
    aslant = find_scale(flown(rows_2mm, GimbalRollDegree=12.0, **notes), Stated())
    assert any("to one side" in note for note in aslant.scale.notes)
    for level in (0.0, 180.0, -180.0):
        straight = find_scale(flown(rows_2mm, GimbalRollDegree=level, **notes), Stated())
        assert straight.scale.notes == ()


def test_a_camera_that_hung_far_aslant_is_refused_and_a_little_widens(
    rows_2mm: np.ndarray,
) -> None:
    notes = {"RelativeAltitude": height_for(2.0, WIDE, TALL), "GimbalPitchDegree": -90.0}
    for roll in (25.0, -25.0, 155.0):
        found = refusal(flown(rows_2mm, GimbalRollDegree=roll, **notes))
        assert found.code == "tilted"
        assert "hung 25° to one side" in str(found)
    stated = Stated(row_spacing_m=0.762)
    level = find_scale(flown(rows_2mm, GimbalRollDegree=2.0, **notes), stated)
    aslant = find_scale(flown(rows_2mm, GimbalRollDegree=12.0, **notes), stated)
    assert level.codes == ()
    assert aslant.codes == ("tilted",)
    assert aslant.scale.relative_error > 1.5 * level.scale.relative_error


def test_a_height_by_which_no_planter_sows_is_said(rows_2mm: np.ndarray) -> None:
    """Rows 30 in apart, seen as 48 in by a height 1.6 times too much."""
    wrong = flown(
        rows_2mm, RelativeAltitude=1.6 * height_for(2.0, WIDE, TALL), GimbalPitchDegree=-90.0
    )
    odd = find_scale(wrong, Stated())
    assert odd.codes == ("odd-rows",)
    assert "the rows lie 48 in (122 cm) apart, which is no usual spacing" in odd.scale.notes[0]
    assert "Give --rows." in odd.scale.notes[0]
    assert odd.scale.relative_error == pytest.approx(math.log(1.6), abs=0.03)
    put_right = find_scale(wrong, Stated(row_spacing_m=0.762))
    assert put_right.codes == ()
    right = flown(rows_2mm, RelativeAltitude=height_for(2.0, WIDE, TALL), GimbalPitchDegree=-90.0)
    assert find_scale(right, Stated()).codes == ()


def test_a_photo_zoomed_digitally_has_no_scale_by_height(rows_2mm: np.ndarray) -> None:
    import io

    from PIL import Image

    def zoomed(ratio: float) -> Photo:
        notes = {"RelativeAltitude": 8.0, "GimbalPitchDegree": -90.0}
        image = Image.open(io.BytesIO(jpeg(rows_2mm)))
        exif = image.getexif()
        exif.get_ifd(0x8769)[0xA404] = ratio
        spool = io.BytesIO()
        image.save(spool, "JPEG", exif=exif, xmp=packet(**notes))
        return load_photo(spool.getvalue(), "zoom.jpg")

    for ratio in (0.0, 1.0):
        assert zoomed(ratio).focal_eq_mm == 24.0
    assert zoomed(2.0).focal_eq_mm is None
    assert "or the photo was zoomed digitally" in str(refusal(zoomed(2.0)))


# --------------------------------------------------------------------------- laid flat


def pinhole(photo: Photo, mm_per_px: float, tilt_deg: float, points: np.ndarray) -> np.ndarray:
    """Photo px of ground points (mm right and ahead of the photo's middle), by OpenCV."""
    focal = focal_px(photo)
    assert focal is not None
    t = math.radians(tilt_deg)
    away = mm_per_px * focal
    rotation = np.array(
        [[1, 0, 0], [0, -math.cos(t), -math.sin(t)], [0, math.sin(t), -math.cos(t)]]
    )
    centre = np.array([0.0, -away * math.sin(t), away * math.cos(t)])
    width, height = photo.size
    camera = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1]])
    flat = np.column_stack([points, np.zeros(len(points))])
    px, _ = cv2.projectPoints(flat, cv2.Rodrigues(rotation)[0], -rotation @ centre, camera, None)
    return px[:, 0]


@settings(max_examples=40, deadline=None)
@given(
    st.floats(3.5, 45.0),
    st.floats(0.8, 4.0),
    st.floats(-0.5, 0.5),
    st.floats(-0.5, 0.4),
)
def test_a_tilted_photo_is_laid_flat_as_a_pinhole_camera_sees_it(
    tilt: float, mm_per_px: float, right: float, ahead: float
) -> None:
    """Checked against OpenCV's own projection."""
    photo = blank()
    ground = tilted(photo, mm_per_px, tilt)
    point = np.array([[right * 800 * mm_per_px, ahead * 600 * mm_per_px]])
    px = pinhole(photo, mm_per_px, tilt, point)
    x, y = ground.working_px(px[:, 0], px[:, 1])
    there = ground.metres(x, y)
    assert (there[0][0], there[1][0]) == pytest.approx(point[0] / 1000, abs=1e-6)
    back = ground.photo_px(x, y)
    assert (back[0][0], back[1][0]) == pytest.approx(px[0], abs=1e-6)
    # Evened out, a short way across the view is as long in px anywhere, and so is it up the photo.
    step = pinhole(photo, mm_per_px, tilt, point + [[10.0, 0.0]])
    across = ground.working_px(step[:, 0], step[:, 1])[0] - x
    assert across[0] == pytest.approx(10.0 / min(max(mm_per_px, 3.0), 3.6), rel=1e-3)
    one = px[0, 0], px[0, 1] + 0.01
    down = ground.working_px(np.array([one[0]]), np.array([one[1]]))[1] - y
    side = ground.working_px(np.array([px[0, 0] + 0.01]), px[:, 1])[0] - x
    assert down[0] == pytest.approx(side[0], rel=1e-3)


def test_the_ground_that_a_tilted_photo_shows() -> None:
    photo = blank()
    for tilt in (4.0, 12.0, 25.0):
        ground = tilted(photo, 2.0, tilt)
        coverage = ground.coverage(cell_m=0.01)
        corners = np.array([[0, 0], [800, 0], [800, 600], [0, 600]], np.float64)
        at = np.column_stack([corners, np.ones(4)]) @ ground.ground_from_photo.T
        shape = (at[:, :2] / at[:, 2:] / 1000).astype(np.float32)
        assert coverage.area_m2 == pytest.approx(cv2.contourArea(shape), rel=0.02)
    flat = straight_down(photo, 2.0)
    assert (flat.width, flat.height) == (533, 400)
    coarse = straight_down(photo, 6.0)  # 4.8 m by 3.6 m at 3.6 mm a px
    assert (coarse.width, coarse.height, coarse.working_mm) == (1333, 1000, 3.6)
    assert flat.coverage().area_m2 == pytest.approx(1.6 * 1.2, rel=0.04)


def test_far_ground_is_left_out() -> None:
    photo = blank()
    level = tilted(photo, 2.0, 12.0)
    assert level.top_px == 0.0
    coarse = tilted(photo, 6.0, 40.0)
    edge = pinhole(photo, 6.0, 40.0, np.array([[0.0, 0.0], [COARSEST_MM, 0.0]]))
    assert np.hypot(*(edge[1] - edge[0])) < COARSEST_MM / 6.0 * 1.01
    at = coarse.photo_px(np.array([coarse.width / 2, coarse.width / 2 + 1]), np.zeros(2))
    assert at[1][0] == pytest.approx(coarse.top_px, abs=1e-6)
    assert 3.6 / (at[0][1] - at[0][0]) == pytest.approx(COARSEST_MM, rel=1e-3)
    steep = tilted(photo, 0.5, 45.0)
    focal = focal_px(photo) or 1.0
    slant = 45.0 + math.degrees(math.atan((300 - steep.top_px) / focal))
    assert slant <= 60.0 + 1e-6
    assert not coarse.shows(np.array([400.0]), np.array([coarse.top_px - 1]))[0]


@pytest.mark.parametrize("tilt", [0.0, 20.0])
@pytest.mark.parametrize("mm_per_px", [1.0, 2.0, 3.0, 5.0])
def test_a_spot_stays_where_it_is(mm_per_px: float, tilt: float) -> None:
    """A white spot's middle in the working picture is where the geometry puts it."""
    rgb = np.full((600, 800, 3), 20, np.uint8)
    cv2.circle(rgb, (500, 200), 14, (255, 255, 255), -1)
    photo = Photo(name="s", decoded=rgb, sha256="", focal_eq_mm=24.0)
    ground = tilted(photo, mm_per_px, tilt) if tilt else straight_down(photo, mm_per_px)
    seen = ground.picture(0, 0, ground.width, ground.height)[..., 0].astype(np.float64)
    seen[seen < 60] = 0
    y, x = np.mgrid[0 : seen.shape[0], 0 : seen.shape[1]] + 0.5
    at = (seen * x).sum() / seen.sum(), (seen * y).sum() / seen.sum()
    u, v = ground.photo_px(np.array([at[0]]), np.array([at[1]]))
    assert (u[0], v[0]) == pytest.approx((500.5, 200.5), abs=0.7)
    flat = ground.overview(8.0)[..., 0].astype(np.float64)
    flat[flat < 60] = 0
    y, x = np.mgrid[0 : flat.shape[0], 0 : flat.shape[1]] + 0.5
    at = (flat * x).sum() / flat.sum(), (flat * y).sum() / flat.sum()
    coverage = ground.coverage()
    here = ground.metres(*ground.working_px(np.array([500.5]), np.array([200.5])))
    assert coverage.left_m + at[0] * 0.008 == pytest.approx(here[0][0], abs=0.006)
    assert coverage.top_m - at[1] * 0.008 == pytest.approx(here[1][0], abs=0.006)


def test_a_window_is_a_part_of_the_whole() -> None:
    rng = np.random.default_rng(0)
    rgb = rng.integers(0, 255, (600, 800, 3), dtype=np.uint8)
    photo = Photo(name="s", decoded=rgb, sha256="", focal_eq_mm=24.0)
    for ground in (straight_down(photo, 2.0), straight_down(photo, 4.0)):
        whole = ground.picture(0, 0, ground.width, ground.height)
        part = ground.picture(100, 40, 200, 96)
        assert np.abs(part.astype(int) - whole[40:136, 100:300].astype(int)).max() <= 2


def test_a_tilted_photo_needs_its_lens() -> None:
    with pytest.raises(ValueError, match="focal length"):
        tilted(blank(focal_eq_mm=None), 2.0, 20.0)


def test_coverage_holds_points_and_knows_its_edge() -> None:
    coverage = straight_down(blank(), 2.0).coverage()
    x, y = np.array([0.0, 0.79, 0.9, -5.0]), np.array([0.0, 0.0, 0.0, 2.0])
    assert coverage.holds(x, y).tolist() == [True, True, False, False]
    away = coverage.edge_distance_m(x, y)
    assert away[0] == pytest.approx(0.6, abs=0.06)
    assert away[1] < 0.08
    assert away[2] == away[3] == 0.0
