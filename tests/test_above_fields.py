"""Fields from above: what photos share stays in doubt, and what is too old to be told is said."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_field import FixedNetwork, Planted, draw, jpeg, level_notes, plant, seen_maps

from collarvision.above.assembling import OLDER_THAN_TOLD
from collarvision.above.calibration import AboveCalibration, load_above_calibration
from collarvision.above.fields import gather_field, is_bare, is_closed
from collarvision.above.frames import read_frame
from collarvision.above.overlap import apart_share
from collarvision.above.summary import frame_from, frame_summary, record_summary
from collarvision.above.values import (
    SQUARE_M_PER_ACRE,
    Z90,
    FieldAbove,
    FrameAbove,
    Gap,
    Georeference,
    GroundScale,
    Interval,
    StageRange,
    StandCount,
    interval_90,
    no_plants,
)
from collarvision.abovereport.words import REASONS_SHOWN, tell_field
from collarvision.boundary import metres_a_degree
from collarvision.photo import load_photo

SCALE_ERROR = 0.02
WIDE, TALL, MM = 1200, 900, 2.5


def counted(
    rate: float,
    tips: float = 6.0,
    *,
    row_spacing_m: float | None = 0.762,
    calibration: AboveCalibration,
) -> FrameAbove:
    """A photo of 8 m of row, its interval made as for every photo."""
    plants = 8.0 * rate
    doubt = calibration.count_doubt(plants, tips, 2.0)
    error = math.hypot(SCALE_ERROR, doubt)
    to_area = None if row_spacing_m is None else 1.0 / row_spacing_m

    def area(square_m: float) -> tuple[float | None, Interval | None]:
        if to_area is None:
            return None, None
        value = rate * to_area * square_m
        return value, interval_90(value, error)

    hectare, acre = area(10_000.0), area(SQUARE_M_PER_ACRE)
    stand = StandCount(
        plants=plants,
        row_length_m=8.0,
        row_spacing_m=row_spacing_m,
        per_m_row=rate,
        per_m_row_interval=interval_90(rate, error),
        per_ha=hectare[0],
        per_ha_interval=hectare[1],
        per_acre=acre[0],
        per_acre_interval=acre[1],
        spacing_m=1.0 / rate,
    )
    scale = GroundScale(2.0, SCALE_ERROR, "rows")
    return FrameAbove(photo="a", sha256=None, size_px=(1, 1), scale=scale, stand=stand)


def stand_of(frames: list[FrameAbove], calibration: AboveCalibration) -> StandCount:
    stand = gather_field(frames, calibration).stand
    assert stand is not None
    return stand


def reach(interval: Interval | None) -> float:
    """Relative standard error that an interval of 90 in 100 was made of."""
    assert interval is not None
    return math.log(interval[1] / interval[0]) / (2 * Z90)


# --------------------------------------------------------------------------- what photos share


def test_one_photo_with_a_row_spacing_leans_on_how_places_usually_differ() -> None:
    calibration = AboveCalibration()
    wide = counted(6.0, calibration=calibration)
    narrow = counted(5.0, row_spacing_m=None, calibration=calibration)
    alone, together = stand_of([wide], calibration), stand_of([wide, narrow], calibration)
    assert wide.stand is not None
    assert together.per_ha == pytest.approx(wide.stand.per_ha)
    assert together.row_spacing_m == 0.762
    assert together.per_ha_interval is not None
    # One place speaks for the field, so its stand is less sure than the photo's own.
    assert reach(together.per_ha_interval) > reach(alone.per_ha_interval)
    assert together.per_ha_interval[1] / together.per_ha_interval[0] < 4.0


def test_more_photos_do_not_take_away_the_doubt_that_they_share() -> None:
    """With the packed calibration, at tips where a canopy closes."""
    calibration = load_above_calibration()
    old = [counted(6.0, 9.5, calibration=calibration)] * 10
    one, ten = stand_of(old[:1], calibration), stand_of(old, calibration)
    assert reach(ten.per_m_row_interval) > 0.95 * reach(one.per_m_row_interval)
    assert reach(ten.per_ha_interval) > 0.95 * reach(one.per_ha_interval)
    assert ten.per_acre_interval == pytest.approx(
        [end * SQUARE_M_PER_ACRE / 10_000 for end in ten.per_ha_interval or ()]
    )


@pytest.mark.parametrize(("photos", "told"), [(2, 0.25), (10, 0.14), (200, 0.10)])
def test_a_fields_stand_is_told_no_better_than_the_network_counts(photos: int, told: float) -> None:
    """A shared error of 0.06 alone is a tenth either way, however many photos there are."""
    calibration = replace(load_above_calibration(), count_error=(0.06,) * 4)
    stand = stand_of([counted(6.0, calibration=calibration)] * photos, calibration)
    assert math.expm1(Z90 * reach(stand.per_m_row_interval)) == pytest.approx(told, abs=0.03)


def test_what_chance_makes_of_a_count_evens_out() -> None:
    sure = AboveCalibration(count_error=(0.0, 0.0), count_spread=0.7)
    one = counted(6.0, calibration=sure)
    alone, many = stand_of([one], sure), stand_of([one] * 60, sure)
    assert reach(alone.per_m_row_interval) > 0.1
    # No more is left than what photos share of the scale's error, and a little for the places.
    assert 0.7 * SCALE_ERROR < reach(many.per_m_row_interval) < SCALE_ERROR


# --------------------------------------------------------------------------- bare, overlapping


def bare_photo(area_m2: float, *quality: str) -> FrameAbove:
    frame = FrameAbove(photo="bare", sha256=None, size_px=(1, 1), area_m2=area_m2)
    scale = GroundScale(2.0, SCALE_ERROR, "rows")
    return replace(frame, scale=scale, plants=no_plants(), quality=("no-plants", *quality))


def test_photos_of_bare_ground_count_by_their_area_and_are_said() -> None:
    calibration = AboveCalibration()
    one = counted(6.0, calibration=calibration)
    assert one.stand is not None
    assert one.stand.per_acre is not None
    # As much ground as the photo's 8 m of row 0.762 m apart stand on.
    field = gather_field([one, bare_photo(8.0 * 0.762)], calibration)
    assert field.stand is not None
    assert field.stand.per_acre == pytest.approx(one.stand.per_acre / 2)
    assert field.stand.per_m_row == pytest.approx(6.0)
    assert field.stand.rowless_share == pytest.approx(0.5)
    low, high = field.stand.per_acre_interval or (0.0, 0.0)
    assert low < one.stand.per_acre / 2 < high
    told = " ".join(tell_field(field, us=True).split())
    assert "over all the ground shown, of which 50% has no rows" in told
    assert "Where rows stand 31,900 an acre" in told
    assert "1 of 2 photos shows no corn" in told
    assert "No gap. " not in told
    blurred = gather_field([one, bare_photo(6.0, "blurred")], calibration)
    assert blurred.stand == one.stand
    assert "which count for nothing" in blurred.reasons[-1]


def few_plants(field: Planted, kept: int, tall: float = 6.0) -> FrameAbove:
    """The photo of a field of which so many plants are left."""
    some = np.random.default_rng(1).choice(len(field.x), kept, replace=False)
    tips = [field.tips[k] for k in some]
    left = replace(field, x=field.x[some], y=field.y[some], row=field.row[some], tips=tips)
    return aged(left, tall, AboveCalibration())


@pytest.mark.parametrize("kept", [0, 2, 4, 6, 8])
def test_photos_of_a_few_plants_count_like_those_of_none(field: Planted, kept: int) -> None:
    calibration = AboveCalibration()
    good, thin = aged(field, 6.0, calibration), few_plants(field, kept)
    assert good.stand is not None
    assert is_bare(thin) == (kept < 0.7 * (thin.area_m2 or 0.0))
    told = gather_field([good] * 3 + [thin] * 3, calibration)
    share = kept / (good.area_m2 or 1.0) * 10_000
    assert good.stand.per_ha is not None
    assert told.stand is not None
    assert told.stand.per_ha == pytest.approx((good.stand.per_ha + share) / 2, rel=0.05)
    said = " ".join(told.reasons)
    if is_bare(thin):
        words = "show no corn or next to none. Plants" if kept else "show no corn. Plants"
        assert f"3 of 6 photos {words}" in said
    else:
        assert "3 of 6 photos show plants in no rows" in said


def test_a_few_plants_on_a_blurred_photo_tell_nothing(field: Planted) -> None:
    calibration = AboveCalibration()
    good, thin = aged(field, 6.0, calibration), few_plants(field, 3)
    told = gather_field([good, replace(thin, quality=("blurred",))], calibration)
    assert told.stand == good.stand


def test_photos_of_another_day_are_no_part_of_the_field(field: Planted) -> None:
    calibration = AboveCalibration()
    old, new = aged(field, 4.5, calibration), aged(field, 8.0, calibration)
    old, new = replace(old, taken_at="2027-05-20"), replace(new, taken_at="2027-06-03T09:00:00")
    alone, both = gather_field([new], calibration), gather_field([*[old] * 5, new], calibration)
    assert both.stages == alone.stages
    assert both.stand == alone.stand
    assert both.frames == (new,)
    assert both.reasons[0].startswith(
        "5 of 6 photos were flown on other days than the newest, 2027-06-03 (2027-05-20), and are "
        "left out"
    )
    evening = replace(old, taken_at="2027-06-02")
    assert len(gather_field([evening, new], calibration).frames) == 2
    undated = gather_field([replace(old, taken_at=None), new], calibration)
    assert "1 of 2 photos doesn't tell its day" in undated.reasons[0]


def test_a_closed_canopy_beside_counted_photos_is_said(field: Planted) -> None:
    calibration = AboveCalibration()
    young = aged(field, 6.0, calibration)
    closed = FrameAbove(photo="b", sha256=None, size_px=(1, 1), quality=("closed",))
    assert is_closed(closed)
    assert not is_closed(young)
    assert (
        "probably older than those told" in gather_field([young, closed], calibration).reasons[-1]
    )
    assert not gather_field([young], calibration).reasons


def test_the_same_file_given_twice_counts_once() -> None:
    calibration = AboveCalibration()
    frames = [replace(counted(6.0, calibration=calibration), sha256=name) for name in "aab"]
    field = gather_field(frames, calibration)
    assert len(field.frames) == 2
    assert field.reasons[-1] == "1 photo was given twice and counts once."
    assert field.stand == stand_of([frames[0], frames[2]], calibration)


def test_photos_that_overlap_tell_no_more_than_their_ground() -> None:
    calibration = AboveCalibration(count_error=(0.0, 0.0), count_spread=0.0)
    per_lat, _ = metres_a_degree(41.5)
    rates = (4.0, 6.0, 8.0)

    def placed(rate: float, north_m: float) -> FrameAbove:
        place = Georeference(41.5 + north_m / per_lat, -93.0, None, 3.0, "gps")
        frame = counted(rate, calibration=calibration)
        return replace(frame, georeference=place, area_m2=36.0)

    apart = [placed(rate, 50.0 * k) for k, rate in enumerate(rates)]
    assert apart_share(apart) == 1.0
    again = [placed(rate, 50.0 * k) for k, rate in enumerate(rates) for _ in range(4)]
    assert apart_share(again) == pytest.approx(0.25)
    # Half of each lies on the next: the middle one on two.
    assert apart_share([placed(6.0, 3.0 * k) for k in range(3)]) == pytest.approx(
        (2 / 1.5 + 1 / 2) / 3
    )
    once, often = gather_field(apart, calibration), gather_field(again, calibration)
    assert once.stand is not None
    assert often.stand is not None
    assert often.stand.per_m_row_interval == pytest.approx(once.stand.per_m_row_interval)
    said = "The photos overlap: the intervals are those of about 3 in different places."
    assert often.reasons[-1] == said
    assert said not in once.reasons


def test_gaps_of_several_photos_are_told_as_a_rate() -> None:
    calibration = AboveCalibration()
    gap = Gap(0, (0.0, 0.0), (0.5, 0.0), 0.5, 2)
    one = replace(counted(6.0, calibration=calibration), gaps=(gap,))

    def told(*frames: FrameAbove) -> str:
        return " ".join(tell_field(gather_field(frames, calibration), us=True).split())

    assert "1 gap, 2 plants missing in them (4.0 in 100)" in told(one)
    for count in (2, 5):
        assert "3.8 gaps to 100 ft of row, 4.0 in 100 plants missing" in told(*[one] * count)


# --------------------------------------------------------------------------- too old


@pytest.fixture(scope="module")
def field() -> Planted:
    return plant(WIDE * MM / 1000, TALL * MM / 1000, seed=4)


def aged(field: Planted, tips: float, calibration: AboveCalibration) -> FrameAbove:
    """The field's photo, were all of its plants to have so many tips."""
    notes = level_notes(MM, WIDE, TALL)
    photo = load_photo(jpeg(draw(field, WIDE, TALL, MM), **notes), "old.jpg")
    maps = seen_maps(field, WIDE, TALL, MM, tip_count=np.full(len(field.x), tips))
    # Without a hash: tests give it many times over, as photos of their own.
    return replace(read_frame(photo, FixedNetwork(maps), calibration), sha256=None)


@pytest.mark.parametrize("calibration", [AboveCalibration(), load_above_calibration()])
def test_plants_too_old_to_be_told_are_said(field: Planted, calibration: AboveCalibration) -> None:
    young, old = (aged(field, tips, calibration) for tips in (5.0, 9.5))
    assert young.stages is not None
    assert young.stages.high < 7
    assert "old" not in young.quality
    assert OLDER_THAN_TOLD not in young.reasons
    assert "old" in old.quality
    assert OLDER_THAN_TOLD in old.reasons
    assert len(OLDER_THAN_TOLD) < 260
    kept = frame_from(frame_summary(old), old.plants)
    record = record_summary(old)
    for quality, reasons in (
        (kept.quality, kept.reasons),
        (record["quality"], record["reasons"]),
    ):
        assert "old" in quality
        assert OLDER_THAN_TOLD in reasons


def test_either_many_tips_or_a_late_range_is_too_old(field: Planted) -> None:
    # A calibration that takes three tips off: the range stays low, and the tips alone tell.
    sharp = AboveCalibration(spread=(0.25, 0.25), shared=(0.0, 0.0), inflation=(1.0, 1.0))
    by_tips = aged(field, 9.2, replace(sharp, bias=(3.0, 3.0)))
    assert by_tips.stages is not None
    assert by_tips.stages.high < 7
    assert "old" in by_tips.quality
    by_range = aged(field, 8.8, AboveCalibration())
    assert by_range.stages is not None
    assert by_range.stages.high >= 7
    assert "old" in by_range.quality


def test_a_story_of_old_plants_promises_less(field: Planted) -> None:
    calibration = AboveCalibration()
    young, old = (aged(field, tips, calibration) for tips in (5.0, 9.5))

    def said(*frames: FrameAbove) -> str:
        return " ".join(tell_field(gather_field(frames, calibration), us=True).split())

    assert "for 90 of 100 plants, by their leaf tips" in said(young)
    assert "or older" not in said(young)
    assert "or older, by their leaf tips" in said(old)
    assert "of 100 plants, by" not in said(old)
    assert OLDER_THAN_TOLD in said(old)
    # A tenth of the plants at most may lie outside of what is promised.
    assert "or older" in said(*[young] * 5, old)
    many = said(*[young] * 20, old)
    assert "for 90 of 100 plants, by their leaf tips" in many
    assert OLDER_THAN_TOLD in many


def test_other_remarks_do_not_crowd_out_that_plants_are_old() -> None:
    bare = FrameAbove(photo="a", sha256=None, size_px=(1, 1))
    frames = [replace(bare, reasons=(f"R{k}.",)) for k in range(REASONS_SHOWN + 2)] * 2
    last = replace(bare, photo="b", quality=("old",), reasons=(OLDER_THAN_TOLD,))
    told = " ".join(tell_field(FieldAbove(None, (*frames, last)), us=True).split())
    assert f"b: {OLDER_THAN_TOLD}" in told
    assert "3 more remarks" in told


# --------------------------------------------------------------------------- feet and inches


@pytest.mark.parametrize(
    ("row_spacing_m", "length"),
    [
        (0.762, "17 ft 5 in"),  # 30 in: the length that extension services print
        (0.508, "26 ft 2 in"),  # 20 in, likewise
        (0.7, "19 ft 0 in"),
    ],
)
def test_a_thousandth_of_an_acre_is_told_in_whole_inches(row_spacing_m: float, length: str) -> None:
    frame = counted(6.0, row_spacing_m=row_spacing_m, calibration=AboveCalibration())
    field = FieldAbove(None, (frame,), frame.stand, StageRange(3, 4, (0.0,) * 13))
    assert f"is {length} of row" in " ".join(tell_field(field, us=True).split())
