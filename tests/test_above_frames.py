"""Frames: a photo from above from its bytes to plants, rows, stand and stages, and bad ones."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_field import (
    SOIL,
    TIP_COUNT,
    FixedNetwork,
    Planted,
    draw,
    jpeg,
    level_notes,
    maps_of,
    plant,
    seen_maps,
)

from collarvision.above import frames as frames_module
from collarvision.above.assembling import degrees
from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.frames import read_frame
from collarvision.above.network import Maps
from collarvision.above.scale import Stated
from collarvision.above.sharpness import fine_share, is_blurred
from collarvision.above.values import FrameAbove, Georeference, no_plants
from collarvision.photo import Photo, load_photo

CALIBRATION = AboveCalibration()
WIDE, TALL, MM = 1600, 1200, 2.0


@pytest.fixture(scope="module")
def field() -> Planted:
    return plant(WIDE * MM / 1000, TALL * MM / 1000, doubled=0.05, strays=4, seed=8)


def notes(**more: float) -> dict[str, float]:
    return {**level_notes(MM, WIDE, TALL), **more}


def photo_of(field: Planted, **more: object) -> Photo:
    rgb = draw(field, WIDE, TALL, MM)
    return load_photo(jpeg(rgb, **{**notes(), **more}), "flight.jpg")  # type: ignore[arg-type]


def perfect(field: Planted, photo: Photo) -> FixedNetwork:
    return FixedNetwork(seen_maps(field, *photo.size, MM))


def test_a_photo_is_read_from_its_bytes(field: Planted) -> None:
    photo = photo_of(field, gps=(41.5, -93.25), GimbalYawDegree=0.0)
    frame = read_frame(photo, perfect(field, photo), CALIBRATION)
    assert frame.scale is not None
    assert frame.scale.mm_per_px == pytest.approx(MM, rel=0.005)
    assert frame.plants is not None
    assert len(field.x) - 2 <= len(frame.plants) <= len(field.x)  # a stray may touch a plant
    size = frame.scale.mm_per_px / MM
    nearest = np.hypot(
        frame.plants.x_m[:, None] - size * field.x, frame.plants.y_m[:, None] - size * field.y
    ).min(1)
    assert np.percentile(nearest, 95) < 0.003
    assert frame.plants.tip_count == pytest.approx(np.full(len(frame.plants), TIP_COUNT), abs=0.01)
    assert frame.stand is not None
    assert frame.stand.per_ha is not None
    area = WIDE * TALL * MM**2 / 1e6
    planted = (field.row >= 0).sum() / area * 10_000
    assert frame.stand.per_ha == pytest.approx(planted, rel=0.06)
    assert frame.stages is not None
    assert frame.stages.low <= 4 <= frame.stages.high
    assert frame.area_m2 == pytest.approx(area, rel=0.03)
    assert frame.quality == ()
    assert frame.reasons == ()
    assert frame.model == "fixed"
    one = frame.plants[0]
    assert one.tips == len(one.tip_points_px)
    assert sum(one.stage_probabilities) == pytest.approx(1.0, abs=1e-4)
    some = frame.plants[frame.plants.row >= 0]
    assert len(some) < len(frame.plants)
    assert [p.tip_points_px for p in some][:3] == [
        p.tip_points_px for p in frame.plants if p.row is not None
    ][:3]


def test_plants_lie_on_the_earth_where_the_camera_looked(field: Planted) -> None:
    """Distances and bearings between plants, after a change to UTM by PROJ."""
    warp = pytest.importorskip("rasterio.warp")
    for heading in (0.0, 60.0, 200.0):
        photo = photo_of(field, gps=(41.5, -93.25), GimbalYawDegree=heading)
        plants = read_frame(photo, perfect(field, photo), CALIBRATION).plants
        assert plants is not None
        assert plants.located
        east, north = warp.transform("EPSG:4326", "EPSG:32615", plants.lon, plants.lat)
        middle = warp.transform("EPSG:4326", "EPSG:32615", [-93.25], [41.5])
        # Zone 15's middle meridian is 93° W: the grid is turned by a sixth of a degree there.
        away = np.column_stack([np.array(east) - middle[0], np.array(north) - middle[1]]) / 0.9996
        turn = math.radians(heading)
        right = away @ (math.cos(turn), -math.sin(turn))
        up = away @ (math.sin(turn), math.cos(turn))
        assert right == pytest.approx(plants.x_m, abs=0.02)
        assert up == pytest.approx(plants.y_m, abs=0.02)


def test_without_a_heading_the_middle_alone_has_a_place(field: Planted) -> None:
    photo = photo_of(field, gps=(41.5, -93.25))
    frame = read_frame(photo, perfect(field, photo), CALIBRATION)
    assert frame.georeference is not None
    assert frame.georeference.heading_deg is None
    assert frame.plants is not None
    assert not frame.plants.located
    assert frame.plants[0].lat is None
    assert all(gap.start_lat_lon is None for gap in frame.gaps)


def test_plants_of_a_tilted_photo_stand_where_they_stand(field: Planted) -> None:
    """Rows keep their spacing, seen at 30 degrees by OpenCV's warp of a flat field."""
    tilt, focal_eq = math.radians(30), 24.0
    flat = draw(field, WIDE, TALL, MM)
    focal = focal_eq / 43.27 * math.hypot(800, 600)
    away = 1.9 * focal  # slant distance in mm at 1.9 mm a px
    sin, cos = math.sin(tilt), math.cos(tilt)
    camera = np.array([[focal, 0, 400], [0, focal, 300], [0, 0, 1.0]])
    turn = np.array([[1, 0, 0], [0, -cos, -sin], [0, sin, -cos]])
    shift = -turn @ np.array([0, -away * sin, away * cos])
    from_ground = camera @ np.column_stack([turn[:, 0], turn[:, 1], shift])
    to_ground = np.array([[MM, 0, -MM * WIDE / 2], [0, -MM, MM * TALL / 2], [0, 0, 1.0]])
    seen = cv2.warpPerspective(flat, from_ground @ to_ground, (800, 600), borderValue=SOIL)
    photo = load_photo(
        jpeg(seen, gps=(41.5, -93.25), RelativeAltitude=away * cos / 1000, GimbalPitchDegree=-60.0),
        "tilted.jpg",
    )
    taken: list[np.ndarray] = []

    class Watching(FixedNetwork):
        def read(self, picture, width, height, *, tell=lambda done, total: None):  # type: ignore[no-untyped-def]
            taken.append(picture(0, 0, width, height))
            x, y = on_picture(field.x, field.y)
            tips = [np.column_stack(on_picture(t[:, 0], t[:, 1])) for t in field.tips]
            inside = (x > 0) & (x < width) & (y > 0) & (y < height)
            chosen = [t for t, kept in zip(tips, inside, strict=True) if kept]
            return maps_of(x[inside], y[inside], chosen, width, height)

    def on_picture(x_m: np.ndarray, y_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        at = from_ground @ np.stack([1000 * x_m, 1000 * y_m, np.ones(np.shape(x_m))])
        return ground.working_px(at[0] / at[2], at[1] / at[2])

    from collarvision.above.ground import tilted

    ground = tilted(photo, 1.9, 30.0)
    frame = read_frame(photo, Watching(Maps(*[np.zeros((1, 1))] * 7)), CALIBRATION)
    assert frame.scale is not None
    assert frame.scale.mm_per_px == pytest.approx(1.9, rel=0.01)
    assert frame.quality[0] == "tilted"
    assert any("put right" in reason for reason in frame.reasons)
    # The picture evened out shows each plant's red dot where the plant stands.
    red = taken[0][..., 0].astype(int) - taken[0][..., 1]
    assert frame.plants is not None
    hits = []
    for one in frame.plants:
        x, y = (int(v[0]) for v in on_picture(np.array([one.x_m]), np.array([one.y_m])))
        if 6 < x < red.shape[1] - 6 and 6 < y < red.shape[0] - 6:
            hits.append(red[y - 4 : y + 5, x - 4 : x + 5].max() > 60)
    assert len(hits) > 20
    assert np.mean(hits) > 0.95
    assert frame.stand is not None
    assert frame.stand.row_spacing_m == pytest.approx(0.762, rel=0.03)
    assert frame.georeference is not None
    assert frame.georeference.error_m == pytest.approx(math.hypot(3.0, away * sin / 1000), rel=1e-3)


# --------------------------------------------------------------------------- bad input


def codes(frame: FrameAbove) -> set[str]:
    for reason in frame.reasons:
        assert reason.endswith((".", "%)"))
        assert len(reason) < 260
    return set(frame.quality)


def empty_maps(photo: Photo, **filled: float) -> FixedNetwork:
    shape = round(photo.size[1] * MM / 12), round(photo.size[0] * MM / 12)
    maps = {
        name: np.full(shape, filled.get(name, 0.0), np.float32)
        for name in ("canopy", "plants", "tips", "other", "tip_count", "double")
    }
    return FixedNetwork(Maps(to_plant=np.zeros((2, *shape), np.float32), **maps))


def test_bare_soil_weeds_another_crop_and_a_closed_canopy_are_said(field: Planted) -> None:
    photo = photo_of(field)
    bare = read_frame(photo, empty_maps(photo), CALIBRATION)
    assert "no-plants" in codes(bare)
    assert "bare soil" in bare.reasons[-1]
    assert bare.plants is not None
    assert len(bare.plants) == 0
    assert bare.stages is None
    other = read_frame(photo, empty_maps(photo, other=0.9), CALIBRATION)
    assert "not-maize" in codes(other)
    assert other.plants is None
    closed = read_frame(photo, empty_maps(photo, canopy=0.9), CALIBRATION)
    assert "closed" in codes(closed)
    assert "can't be told apart" in closed.reasons[-1]
    weedy = empty_maps(photo)
    weedy.maps.other[:, :40] = 0.9
    good = seen_maps(field, WIDE, TALL, MM)
    weedy.maps = replace(good, other=weedy.maps.other * 0.0 + (weedy.maps.other[: good.shape[0]]))
    weedy.maps.other[:, 100:] = 0.9
    weedy.maps.other[good.canopy > 0] = 0.0
    found = read_frame(photo, weedy, CALIBRATION)
    assert "weedy" in codes(found)


def test_leaves_without_a_plant_are_said_to_hide_some(field: Planted) -> None:
    photo = photo_of(field)
    network = perfect(field, photo)
    whole = read_frame(photo, network, CALIBRATION)
    hide = np.s_[60:140, 100:150]
    network.maps.canopy[hide] = 1.0
    network.maps.plants[hide] = 0.0
    frame = read_frame(photo, network, CALIBRATION)
    assert "hidden" in codes(frame)
    assert "too low" in frame.reasons[-1]
    assert sum(gap.missing for gap in frame.gaps) <= sum(gap.missing for gap in whole.gaps) + 2


def test_plants_in_no_order_have_no_rows(field: Planted) -> None:
    photo = photo_of(field)
    rng = np.random.default_rng(0)
    width, height = round(WIDE * MM / 3), round(TALL * MM / 3)
    x, y = rng.uniform(60, width - 60, 14), rng.uniform(60, height - 60, 14)
    maps = maps_of(x, y, [np.zeros((0, 2))] * 14, width, height)
    frame = read_frame(photo, FixedNetwork(maps), CALIBRATION)
    assert "no-rows" in codes(frame)
    assert frame.stand is None
    assert frame.stages is not None


def test_plants_that_stand_in_no_rows_show_that_rows_told_no_scale(field: Planted) -> None:
    photo = load_photo(jpeg(draw(field, WIDE, TALL, MM)), "flight.jpg")
    by_rows = Stated(row_spacing_m=0.762)
    whole = read_frame(photo, perfect(field, photo), CALIBRATION, by_rows)
    assert whole.scale is not None
    assert (whole.scale.source, whole.plants is None) == ("rows", False)
    rng, width, height = np.random.default_rng(0), round(WIDE * MM / 3), round(TALL * MM / 3)
    x, y = rng.uniform(60, width - 60, 14), rng.uniform(60, height - 60, 14)
    maps = maps_of(x, y, [np.zeros((0, 2))] * 14, width, height)
    frame = read_frame(photo, FixedNetwork(maps), CALIBRATION, by_rows)
    assert codes(frame) == {"no-scale"}
    assert "don't stand in rows as far apart as was said" in frame.reasons[-1]
    assert (frame.scale, frame.plants, frame.area_m2) == (None, None, None)


def test_no_network_no_scale_too_coarse(field: Planted) -> None:
    photo = photo_of(field, gps=(41.5, -93.25))
    none = read_frame(photo, None, CALIBRATION)
    assert codes(none) == {"no-network"}
    assert none.scale is not None
    assert none.georeference is not None
    assert "no network for photos from above" in none.reasons[0]
    lost = read_frame(load_photo(jpeg(draw(field, WIDE, TALL, MM)), "x.jpg"), None, CALIBRATION)
    assert codes(lost) == {"no-scale"}
    bare = np.full((600, 800, 3), SOIL, np.uint8)
    high = load_photo(jpeg(bare, RelativeAltitude=25.0, GimbalPitchDegree=-90.0), "high.jpg")
    far = read_frame(high, None, CALIBRATION)
    assert "coarse" in codes(far)
    assert "fly lower" in far.reasons[-1]


def test_a_coarse_photo_says_that_its_ranges_are_wider() -> None:
    planted = plant(WIDE * 0.005, TALL * 0.005, seed=1)
    rgb = draw(planted, WIDE, TALL, 5.0)
    photo = load_photo(jpeg(rgb, **level_notes(5.0, WIDE, TALL)), "c.jpg")
    maps = FixedNetwork(seen_maps(planted, WIDE, TALL, 5.0))
    frame = read_frame(photo, maps, CALIBRATION)
    assert "coarse" in codes(frame)
    assert frame.plants is not None
    fine = read_frame(photo, maps, replace(CALIBRATION, spread=(1.0, 1.0)))
    assert fine.stages is not None
    assert frame.stages is not None
    assert max(fine.stages.probabilities) > max(frame.stages.probabilities)


def test_blur_is_seen_and_widens(field: Planted) -> None:
    rng = np.random.default_rng(0)
    rough = rng.normal(0, 1, (1024, 1024))
    octaves = np.hypot(*np.meshgrid(np.fft.fftfreq(1024), np.fft.fftfreq(1024)))
    octaves[0, 0] = 1.0
    soil = np.fft.ifft2(np.fft.fft2(rough) / octaves).real
    soil = np.clip(soil / soil.std() * 30 + 120, 0, 255).astype(np.uint8)
    sharp = np.dstack([soil] * 3)
    shares = [
        fine_share(cv2.GaussianBlur(sharp, (0, 0), s) if s else sharp) for s in (0, 1, 2, 3, 4)
    ]
    assert shares == sorted(shares, reverse=True)
    assert not is_blurred(sharp)
    assert is_blurred(cv2.GaussianBlur(sharp, (0, 0), 3.5))
    shaken = cv2.blur(sharp, (25, 1))
    assert is_blurred(shaken)
    assert not is_blurred(np.full((300, 300, 3), 90, np.uint8))
    soft = cv2.GaussianBlur(draw(field, WIDE, TALL, MM), (0, 0), 9)
    photo = load_photo(jpeg(soft, **notes()), "soft.jpg")
    frame = read_frame(photo, perfect(field, photo), CALIBRATION)
    assert "blurred" in codes(frame)
    steady = photo_of(field)
    clear = read_frame(steady, perfect(field, steady), CALIBRATION)
    assert frame.stages is not None
    assert clear.stages is not None
    assert max(frame.stages.probabilities) < max(clear.stages.probabilities)


def test_a_tilt_that_the_file_does_not_tell_shows_in_the_rows() -> None:
    planted = plant(9.0, 9.0, angle_deg=90.0, seed=2)
    flat = draw(planted, 1800, 1800, 5.0)
    corners = np.array([[0, 0], [1800, 0], [1800, 1800], [0, 1800]], np.float32)
    seen = np.array([[0, 0], [1600, 0], [2100, 1200], [-500, 1200]], np.float32)
    rgb = cv2.warpPerspective(flat, cv2.getPerspectiveTransform(corners, seen), (1600, 1200))
    photo = load_photo(jpeg(rgb), "aslant.jpg")
    frame = read_frame(photo, None, CALIBRATION, Stated(row_spacing_m=0.762))
    assert "tilted" in codes(frame)
    assert any("camera was tilted" in reason for reason in frame.reasons)
    straight = load_photo(jpeg(flat), "straight.jpg")
    level = read_frame(straight, None, CALIBRATION, Stated(row_spacing_m=0.762))
    assert "tilted" not in codes(level)


# --------------------------------------------------------------------------- blocks, boundaries


def test_blocks_give_what_the_whole_gives(field: Planted, monkeypatch: pytest.MonkeyPatch) -> None:
    class Windowed(FixedNetwork):
        """Gives the part of the maps that a block asks for, told by a painted coordinate."""

        def read(self, picture, width, height, *, tell=lambda done, total: None):  # type: ignore[no-untyped-def]
            tell(1, 1)
            left, top = asked[-1]
            cut = np.s_[top // 4 : (top + height + 3) // 4, left // 4 : (left + width + 3) // 4]
            return Maps(
                *[
                    self.maps.to_plant[(slice(None), *cut)]
                    if name == "to_plant"
                    else getattr(self.maps, name)[cut]
                    for name in self.maps.__dataclass_fields__
                ]
            )

    asked: list[tuple[int, int]] = []
    photo = photo_of(field)
    whole = read_frame(photo, perfect(field, photo), CALIBRATION)
    monkeypatch.setattr(frames_module, "BLOCK_PX", 480)
    original = frames_module.find_plants
    bounds = frames_module._cuts
    steps: list[tuple[int, int]] = []
    width, height = round(WIDE * MM / 3), round(TALL * MM / 3)
    reach = frames_module.PLANT_REACH_PX
    for top, _ in bounds(height):
        for left, _ in bounds(width):
            asked.append((max(0, left - reach), max(0, top - reach)))
    asked.reverse()

    def find(*words, **more):  # type: ignore[no-untyped-def]
        asked.pop()
        return original(*words, **more)

    monkeypatch.setattr(frames_module, "find_plants", find)
    network = Windowed(perfect(field, photo).maps)
    frame = read_frame(photo, network, CALIBRATION, tell=lambda d, t: steps.append((d, t)))
    assert asked == []
    assert steps[-1] == (6, 6)
    assert frame.plants is not None
    assert whole.plants is not None
    assert sorted(frame.plants.x_px) == pytest.approx(sorted(whole.plants.x_px), abs=1e-3)
    assert frame.plants.tips.sum() == pytest.approx(whole.plants.tips.sum(), rel=0.01)


def test_only_what_lies_in_the_field_counts(field: Planted) -> None:
    photo = photo_of(field, gps=(41.5, -93.25), GimbalYawDegree=90.0)
    network = perfect(field, photo)
    whole = read_frame(photo, network, CALIBRATION)
    # Heading east, the photo's upper half lies east of its middle.
    half = read_frame(photo, network, CALIBRATION, within=lambda lat, lon: lon > -93.25)
    assert half.plants is not None
    assert whole.plants is not None
    assert half.plants.y_m.min() > -0.06
    assert len(half.plants) == pytest.approx((whole.plants.y_m > 0).sum(), abs=3)
    assert half.area_m2 == pytest.approx((whole.area_m2 or 0) / 2, rel=0.05)
    nothing = read_frame(photo, network, CALIBRATION, within=lambda lat, lon: lat > 50)
    assert codes(nothing) == {"outside"}
    unturned = photo_of(field, gps=(41.5, -93.25))
    for inside, code in ((True, set()), (False, {"outside"})):
        found = read_frame(
            unturned, network, CALIBRATION, within=lambda lat, lon, v=inside: np.full(len(lat), v)
        )
        assert codes(found) == code
    nowhere = read_frame(photo_of(field), network, CALIBRATION, within=lambda lat, lon: lat > 50)
    assert nowhere.plants is not None


def test_degrees_need_a_heading() -> None:
    x = np.array([1.0, 2.0])
    assert np.isnan(degrees(x, x, None)[0]).all()
    place = Georeference(0.0, 10.0, 90.0, 1.0, "gps")
    lat, lon = degrees(np.array([0.0]), np.array([111.32]), place)
    # A minute of longitude at the equator is a nautical mile: 111.32 m are 0.001 degrees.
    assert (lat[0], lon[0]) == pytest.approx((0.0, 10.001), abs=1e-6)


# --------------------------------------------------------------------------- several photos


def test_photos_together_are_samples_of_the_field() -> None:
    frames = []
    for seed in range(4):
        planted = plant(3.2, 2.4, missing=0.04 * seed, seed=seed)
        photo = photo_of(planted)
        frames.append(read_frame(photo, perfect(planted, photo), CALIBRATION))
    told = gather_field(frames, CALIBRATION, name="North")
    assert told.stand is not None
    rates = [frame.stand.per_m_row for frame in frames if frame.stand]
    assert min(rates) < told.stand.per_m_row < max(rates)
    assert told.stand.plants == pytest.approx(sum(f.stand.plants for f in frames if f.stand))
    one = gather_field(frames[:1], CALIBRATION)
    assert one.stand == frames[0].stand
    alike = gather_field(
        [replace(frames[0], photo=name, sha256=name) for name in "abcd"], CALIBRATION
    )
    assert alike.stand is not None
    wide = told.stand.per_ha_interval or (0, 0)
    narrow = alike.stand.per_ha_interval or (0, 0)
    assert wide[1] / wide[0] > narrow[1] / narrow[0]
    assert told.stages is not None
    assert sum(told.stages.probabilities) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(("number", "differ"), [(2, 0.1), (2, 0.2), (4, 0.15), (12, 0.25)])
def test_a_fields_interval_holds_its_stand_nine_times_in_ten(number: int, differ: float) -> None:
    """Few photos lean on how stands usually differ, many on how these do."""
    planted = plant(3.2, 2.4, seed=1)
    frame = read_frame(photo_of(planted), perfect(planted, photo_of(planted)), CALIBRATION)
    assert frame.stand is not None
    assert frame.scale is not None
    alike = math.hypot(0.7 * frame.scale.relative_error, CALIBRATION.count_error[0])
    rng = np.random.default_rng(7)
    held, widths = [], []
    for _ in range(200):
        frames = []
        shared = np.exp(rng.normal(0, alike))  # one barometer, one lens, one light and age
        for rate in shared * np.maximum(6.0 * rng.normal(1.0, differ, number), 1.0):
            stand = replace(frame.stand, per_m_row=float(rate), plants=float(rate) * 8)
            stand = replace(stand, row_length_m=8.0)
            frames.append(replace(frame, sha256=None, stand=stand))
        told = gather_field(frames, CALIBRATION).stand
        assert told is not None
        low, high = told.per_m_row_interval
        held.append(low <= 6.0 <= high)
        widths.append(high / low)
    assert 0.83 <= np.mean(held) <= 0.995
    assert np.median(widths) < 2.4


def test_photos_that_tell_nothing_are_said() -> None:
    empty = FrameAbove(photo="a", sha256=None, size_px=(1, 1))
    told = gather_field([empty], CALIBRATION)
    assert (told.stand, told.stages) == (None, None)
    assert told.reasons == ("The photo tells nothing of plants.",)
    two = gather_field([empty, replace(empty, plants=no_plants())], CALIBRATION)
    assert "1 of 2 photos" in two.reasons[0]
