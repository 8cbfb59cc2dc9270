"""What a file doesn't tell of a photo from above: a tilt, a cut, a way up, a height belied."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_field import FixedNetwork, draw, height_for, jpeg, plant, seen_maps, with_exif

from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.frames import read_frame
from collarvision.above.scale import Stated, find_scale
from collarvision.above.values import Z90, FrameAbove
from collarvision.photo import load_photo
from collarvision.walk.flight import flight_of

CALIBRATION = AboveCalibration()
WIDE, TALL, MM = 2000, 1500, 3.0
UNSAID = "doesn't say how the camera was tilted"


# --------------------------------------------------------------------------- tilted


def leaning(spread_px: int, angle_deg: float = 90.0) -> FrameAbove:
    """A field whose lower edge is drawn out to both sides, as by a camera tilted ahead."""
    flat = draw(plant(9.0, 9.0, angle_deg=angle_deg, seed=2), 1800, 1800, 5.0)
    corners = np.array([[0, 0], [1800, 0], [1800, 1800], [0, 1800]], np.float32)
    low = [[1600 + spread_px, 1200], [-spread_px, 1200]]
    seen = np.array([[0, 0], [1600, 0], *low], np.float32)
    rgb = cv2.warpPerspective(flat, cv2.getPerspectiveTransform(corners, seen), (1600, 1200))
    photo = load_photo(jpeg(rgb), "aslant.jpg")
    return read_frame(photo, None, CALIBRATION, Stated(row_spacing_m=0.762))


def test_a_lean_seen_in_the_rows_widens_the_scale_and_a_great_one_is_refused() -> None:
    level, some, much = leaning(0), leaning(260), leaning(500)
    assert level.scale is not None
    assert "tilted" not in level.quality
    assert not any(UNSAID in reason for reason in level.reasons)
    assert "tilted" in some.quality
    assert some.scale is not None
    said = next(reason for reason in some.reasons if reason.startswith("Rows look"))
    lean = int(said.split("%")[0].split()[-1]) / 100
    assert 0.12 < lean < 0.3
    assert some.scale.relative_error == pytest.approx(lean / 2, abs=0.01)
    assert "tilted" in much.quality
    assert much.scale is None
    assert "too far to count" in much.reasons[0]


def test_it_is_said_where_rows_cannot_show_a_tilt() -> None:
    bare = np.full((900, 1200, 3), (104, 78, 60), np.uint8)
    photo = load_photo(jpeg(bare, AboveGroundAltitude=4.0), "bare.jpg")
    assert any(UNSAID in reason for reason in read_frame(photo, None, CALIBRATION).reasons)
    told = load_photo(jpeg(bare, AboveGroundAltitude=4.0, GimbalPitchDegree=-90.0), "told.jpg")
    assert not any(UNSAID in reason for reason in read_frame(told, None, CALIBRATION).reasons)


# --------------------------------------------------------------------------- odd rows


def by_plants(row_spacing_m: float, stated: Stated, **notes: float) -> FrameAbove:
    """Plants of a field on a photo in which pixels show no rows."""
    field = plant(WIDE * MM / 1000, TALL * MM / 1000, row_spacing_m=row_spacing_m, seed=3)
    bare = np.full((TALL, WIDE, 3), (104, 78, 60), np.uint8)
    maps = seen_maps(field, WIDE, TALL, MM)
    photo = load_photo(jpeg(bare, GimbalPitchDegree=-90.0, **notes), "rows.jpg")
    return read_frame(photo, FixedNetwork(maps), CALIBRATION, stated)


@pytest.mark.parametrize("source", ["exif", "stated"])
def test_plants_in_odd_rows_put_the_height_in_doubt(source: str) -> None:
    height = height_for(MM, WIDE, TALL)
    notes = {"AboveGroundAltitude": height} if source == "exif" else {}
    stated = Stated(height_m=None if notes else height)
    usual, odd = by_plants(0.762, stated, **notes), by_plants(1.2, stated, **notes)
    assert "odd-rows" not in usual.quality
    assert "odd-rows" in odd.quality
    whose = "in the file" if notes else "you gave"
    assert any(f"By the height {whose} the rows lie 47 in" in one for one in odd.reasons)
    assert odd.scale is not None
    assert odd.scale.relative_error == pytest.approx(math.log(1.2 / 0.762), abs=0.03)
    assert odd.stand is not None
    assert odd.stand.per_ha_interval is not None
    low, high = odd.stand.per_ha_interval
    assert math.log(high / low) / (2 * Z90) > 2 * 0.4
    said = by_plants(1.2, Stated(height_m=stated.height_m, row_spacing_m=1.2), **notes)
    assert "odd-rows" not in said.quality


# --------------------------------------------------------------------------- cut or shrunk


@pytest.mark.parametrize("kept", [0.9, 0.75, 0.5])
def test_a_photo_of_another_size_than_its_file_notes_may_be_cut(kept: float) -> None:
    whole = (4000, 3000)
    wide, tall = (round(kept * one) for one in whole)
    rgb = draw(plant(wide * MM / 1000, tall * MM / 1000), wide, tall, MM)
    noted = {0xA002: whole[0], 0xA003: whole[1]}
    flown = {"RelativeAltitude": height_for(MM, *whole), "GimbalPitchDegree": -90.0}
    photo = load_photo(with_exif(jpeg(rgb, **flown), {}, noted), "cut.jpg")
    scale = find_scale(photo, Stated()).scale
    assert any("if it was cut, counts are wrong. Give --rows" in note for note in scale.notes)
    # The interval reaches the scale that the photo was taken at.
    assert scale.mm_per_px / math.exp(Z90 * scale.relative_error) < MM < scale.mm_per_px
    by_rows = find_scale(photo, Stated(row_spacing_m=0.762)).scale
    assert by_rows.mm_per_px == pytest.approx(MM, rel=0.03)
    assert not any("another size" in note for note in by_rows.notes)
    same = {0xA002: wide, 0xA003: tall}
    own = load_photo(with_exif(jpeg(rgb, **flown), {}, same), "own.jpg")
    assert find_scale(own, Stated()).scale.relative_error < min(scale.relative_error, 0.11)


# --------------------------------------------------------------------------- upside down


@pytest.mark.parametrize("roll", [180.0, -178.0])
def test_a_photo_taken_upside_down_does_not_say_which_way_it_looks(roll: float) -> None:
    """Half a turn of roll and half of yaw can be one camera's level: the yaw isn't its way."""
    field = plant(WIDE * MM / 1000, TALL * MM / 1000, seed=3)
    maps = seen_maps(field, WIDE, TALL, MM)
    rgb = draw(field, WIDE, TALL, MM)
    notes = {"AboveGroundAltitude": height_for(MM, WIDE, TALL), "GimbalPitchDegree": -90.0}
    notes |= {"GimbalYawDegree": 180.0}
    level = load_photo(jpeg(rgb, gps=(41.5, -93.25), **notes), "level.jpg")
    assert level.flight.heading_deg == 180.0
    over = load_photo(jpeg(rgb, gps=(41.5, -93.25), GimbalRollDegree=roll, **notes), "over.jpg")
    assert over.flight.heading_deg is None
    frame = read_frame(over, FixedNetwork(maps), CALIBRATION)
    assert frame.plants is not None
    assert len(frame.plants) > 100
    assert not frame.plants.located
    told = " ".join(flight_of(gather_field([frame], CALIBRATION)).notes)
    assert "1 photo doesn't say which way it looks" in told
