"""Window: when a limit opens and closes, from plants, visits and temperatures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from collarvision.clusters import stop_effect
from collarvision.evidence import PlantEvidence, plausible_stages
from collarvision.heat import DateSpan, HeatError, Visit, leaf_pace
from collarvision.heatdates import leaves_reached
from collarvision.leafwords import LeafMeaning
from collarvision.limits import CAUTION, judge
from collarvision.limitsfile import Bound, Limit
from collarvision.temperatures import Day, Temperatures
from collarvision.window import AS_FAR_ON, Window, heard_on, mix_window, visit_of, window

BEGIN = date(2026, 6, 1)
WEATHER = Temperatures(tuple(Day(BEGIN + timedelta(days=k), 55, 80) for k in range(120)))
A = Limit("Product A", "broadcast", "collars", Bound(2), Bound(6))


def plants(stages: list[int], mm: float | None = None) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"p{k}", hand_count=s, height_mm=mm, taken_at=BEGIN)
        for k, s in enumerate(stages)
    ]


def test_a_visit_sums_up_its_plants() -> None:
    # By hand: mean 4.5, standard error 0.577 / 2.
    visit = visit_of(plants([4, 4, 5, 5]), BEGIN)
    assert visit.leaves == 4.5
    assert visit.leaves_error == pytest.approx(0.2887, abs=1e-3)
    assert visit.height_mm is None
    assert visit_of(plants([4]), BEGIN).leaves_error == 1.0
    assert visit_of(plants([4, 5], 200.0), BEGIN).height_mm == 200
    with pytest.raises(HeatError, match="No plant of 2026-06-01"):
        visit_of([], BEGIN)


def test_the_tallest_tenth_is_known_less_well_than_the_mean() -> None:
    """A tenth of the plants: the standard error of a mean goes by the root of their number."""
    heights = [200.0, 210.0, 190.0, 220.0, 180.0, 200.0, 210.0, 190.0, 200.0, 200.0]
    field = [
        replace(plant, height_mm=mm) for plant, mm in zip(plants([4] * 10), heights, strict=True)
    ]
    visit = visit_of(field, BEGIN)
    assert visit.height_mm == pytest.approx(200)
    # By hand: squares 100 * (1 + 1 + 4 + 4 + 1 + 1) = 1200, so sqrt(1200 / 9 / 10) = 3.651.
    assert visit.height_error_mm == pytest.approx(3.651, abs=1e-3)
    assert visit.tallest_mm == pytest.approx(220)
    assert visit.tallest_error_mm == pytest.approx(3.651 * 3.1623, abs=1e-2)


def test_the_most_advanced_plant_closes_it() -> None:
    even, uneven = plants([4] * 12), plants([4] * 11 + [6])

    def closes(field: list[PlantEvidence], limit: Limit = A) -> date:
        found = window(limit, field, [visit_of(field, BEGIN)], WEATHER).closes
        assert found is not None
        assert found.middle is not None
        return found.middle

    # From 4.5 leaves to 7 at about 74 °F-days a leaf (the published range) and 17.5 a day.
    assert abs((closes(even) - BEGIN).days - 10.6) <= 2
    assert closes(uneven) < closes(even) - timedelta(days=5)
    lenient = Limit("Product A", "broadcast", "collars", Bound(2), Bound(6), share_past=0.1)
    assert closes(uneven, lenient) > closes(uneven)


def test_it_opens_for_half_of_the_field() -> None:
    field = plants([1] * 12)
    found = window(A, field, [visit_of(field, BEGIN)], WEATHER)
    assert found.opens is not None
    assert found.closes is not None
    assert found.opens.middle is not None
    assert found.closes.middle is not None
    assert BEGIN < found.opens.middle < found.closes.middle
    assert any("published range alone" in reason for reason in found.reasons)
    assert found.caution == CAUTION


def test_leaves_and_height_whichever_first_or_both() -> None:
    visits = [
        Visit(BEGIN, 3.0, 0.1, 160.0, 2.0, 180.0, 5.0),
        Visit(BEGIN + timedelta(days=8), 5.0, 0.1, 320.0, 2.0, 400.0, 5.0),
    ]
    field = plants([5] * 12)
    both_bounds = Bound(9, 508.0, "20 in")
    first = window(Limit("P", "b", "collars", highest=both_bounds), field, visits, WEATHER)
    both = window(
        Limit("P", "b", "collars", highest=both_bounds, highest_when="both"),
        field,
        visits,
        WEATHER,
    )
    assert first.closes is not None
    assert both.closes is not None
    # 27.5 mm a day: 108 mm more take four days; nine collars take far longer.
    assert first.closes.middle == BEGIN + timedelta(days=11)
    assert both.closes.middle is not None
    assert both.closes.middle > first.closes.middle + timedelta(days=5)
    assert not any("One visit" in reason for reason in first.reasons)


def test_a_minimum_waits_for_the_mean_height_and_a_maximum_for_the_tallest() -> None:
    visits = [
        Visit(BEGIN, 1.0, 0.1, 40.0, 1.0, 60.0, 1.0),
        Visit(BEGIN + timedelta(days=5), 2.0, 0.1, 80.0, 1.0, 110.0, 1.0),
    ]
    four_inches = Bound(None, 101.6, "4 in")
    field = plants([2] * 12)
    opens = window(Limit("P", "b", lowest=four_inches), field, visits, WEATHER).opens
    closes = window(Limit("P", "b", highest=four_inches), field, visits, WEATHER).closes
    assert opens is not None
    assert closes is not None
    # 8 mm a day from 80 mm: three days more; the tallest tenth is there already.
    assert opens.middle == BEGIN + timedelta(days=7)
    assert closes.middle == BEGIN + timedelta(days=5)


def test_other_meanings_of_leaf_widen_the_span() -> None:
    field = plants([4] * 12)
    visits = [visit_of(field, BEGIN)]
    # V7 shows nine tips (Univ. of Georgia 2018), so a limit of eight tips closes about there.
    tips = window(Limit("P", "b", "visible tips", highest=Bound(8)), field, visits, WEATHER)
    collars = window(Limit("P", "b", "collars", highest=Bound(6)), field, visits, WEATHER)
    assert tips.closes is not None
    assert collars.closes is not None
    assert tips.closes.early is not None
    assert tips.closes.early <= (collars.closes.early or date.max)
    assert (tips.closes.late or date.max) >= (collars.closes.late or date.max)


def test_the_last_day_before_harvest() -> None:
    limit = Limit("P", "b", days_before_harvest=45)
    field = plants([4] * 3)
    found = window(
        limit, field, [visit_of(field, BEGIN)], WEATHER, planned_harvest=date(2026, 9, 25)
    )
    assert found.last_harvest_day == date(2026, 8, 11)
    assert found.opens is None
    assert found.closes is None


def test_a_mix_ends_on_the_first_of_its_members_last_days() -> None:
    late = Window("A", None, None, date(2026, 8, 20), opens_told="unset", closes_told="unset")
    soon = replace(late, name="B", last_harvest_day=date(2026, 8, 11))
    never = replace(late, name="C", last_harvest_day=None)
    for members in ([late, soon], [soon, late], [never, late, soon], [soon, never, late]):
        assert mix_window("M", members).last_harvest_day == date(2026, 8, 11)
    assert mix_window("M", [never, never]).last_harvest_day is None


def test_what_cannot_be_foretold_is_said() -> None:
    field = plants([4] * 3)
    height = Limit("P", "b", highest=Bound(None, 508.0, "20 in"))
    found = window(height, field, [visit_of(field, BEGIN)], WEATHER)
    assert found.closes is None
    assert any("two visits with heights" in reason for reason in found.reasons)
    nothing = window(A, [], [], WEATHER)
    assert nothing.reasons == ("There is no visit: stage the field first.",)
    late = [Visit(date(2027, 6, 1), 4.0, 0.1)]
    assert any("forecast" in reason for reason in window(A, field, late, WEATHER).reasons)


def test_a_mix_says_what_cannot_be_told_of_its_members() -> None:
    field = plants([4] * 3)
    visits = [visit_of(field, BEGIN)]
    height = Limit("Product B", "b", highest=Bound(None, 508.0, "20 in"))
    members = [window(one, field, visits, WEATHER) for one in (A, height)]
    mix = mix_window("A with B", members)
    assert mix.closes == members[0].closes
    assert any(r.startswith("Product B: ") and "two visits" in r for r in mix.reasons)
    assert "A with B may close earlier than its other members say." in mix.reasons
    sure = mix_window("A alone", members[:1])
    assert not any("may close earlier" in reason for reason in sure.reasons)


def test_a_side_that_nobody_can_foretell_makes_the_other_a_bound() -> None:
    field = plants([4] * 12)
    visits = [visit_of(field, BEGIN)]  # without heights nothing is foretold by height
    first = Limit("P", "b", "collars", Bound(6, 508.0), Bound(9, 762.0), lowest_when="both")
    found = window(first, field, visits, WEATHER)
    leaves = window(Limit("P", "b", "collars", Bound(6), Bound(9)), field, visits, WEATHER)
    assert (leaves.opens_told, leaves.closes_told) == ("told", "told")
    assert (found.opens, found.closes) == (leaves.opens, leaves.closes)
    assert (found.opens_told, found.closes_told) == ("not before", "at the latest")
    bare = window(Limit("P", "b", highest=Bound(None, 762.0)), field, visits, WEATHER)
    assert (bare.opens_told, bare.closes_told) == ("unset", "unknown")
    # A minimum of either, and a maximum of both, are safe as they are told.
    safe = replace(first, lowest_when="either", highest_when="both")
    assert window(safe, field, visits, WEATHER).closes_told == "told"
    mix = mix_window("M", [leaves, bare])
    assert (mix.opens_told, mix.closes_told) == ("told", "at the latest")
    assert mix_window("M", [leaves, found]).opens_told == "not before"
    nothing = window(A, [], [], WEATHER)
    assert (nothing.opens_told, nothing.closes_told) == ("unknown", "unknown")
    # Too short a weather for the late end: no date is one "at the latest".
    short = Temperatures(WEATHER.days[:26])
    assert window(first, field, visits, short).closes_told == "unknown"


def test_a_window_that_closes_before_it_opens_says_so() -> None:
    visits = [
        Visit(BEGIN, 2.0, 0.1, 180.0, 2.0, 200.0, 5.0),
        Visit(BEGIN + timedelta(days=6), 3.0, 0.1, 330.0, 2.0, 360.0, 5.0),
    ]
    field = plants([3] * 12)
    low = Limit("Low", "b", "collars", lowest=Bound(6))
    high = Limit("High", "b", highest=Bound(None, 406.4, "16 in"))
    one = replace(low, name="One", highest=high.highest)
    said = "By the likeliest dates {} closes before it opens"
    assert any(said.format("One") in r for r in window(one, field, visits, WEATHER).reasons)
    members = [window(limit, field, visits, WEATHER) for limit in (low, high)]
    assert not any("before it opens" in r for member in members for r in member.reasons)
    assert any(said.format("Mix") in r for r in mix_window("Mix", members).reasons)
    assert not any("before it opens" in r for r in window(A, field, visits, WEATHER).reasons)


def test_dates_allow_for_plants_of_one_stop() -> None:
    """Ten alike at each of two stops are not twenty of the field.

    By hand: the variance is 20 / 19, so the error of twenty alone is sqrt(20 / 19 / 20) = 0.229;
    the design effect multiplies its square.
    """
    alone = [
        replace(plant, height_mm=300.0 + 60 * k)
        for k, plant in enumerate(plants([4] * 10 + [6] * 10))
    ]
    field = [replace(one, stop="A" if k < 10 else "B") for k, one in enumerate(alone)]
    effect = stop_effect(field).effect
    assert effect > 8
    free, alike = visit_of(alone, BEGIN), visit_of(field, BEGIN)
    assert free.leaves_error == pytest.approx(0.2294, abs=1e-4)
    assert alike.leaves_error == pytest.approx(0.2294 * effect**0.5, abs=1e-3)
    assert free.height_error_mm is not None
    assert alike.height_error_mm == pytest.approx(free.height_error_mm * effect**0.5)
    assert free.tallest_error_mm is not None
    assert alike.tallest_error_mm == pytest.approx(free.tallest_error_mm * effect**0.5)


@pytest.mark.parametrize(
    ("meaning", "leaves", "early", "likely", "late"),
    [
        # Five tips: a quarter of the span that V1 may show, half of V2's, all of V3's.
        ("visible tips", 5, 1, 2, 3),
        ("visible tips", 7, 4, 4, 5),
        ("drooping leaves", 6, 3, 4, 5),
        ("collars", 3, 3, 3, 3),
    ],
)
def test_it_opens_no_earlier_than_the_verdict_does(
    meaning: LeafMeaning, leaves: int, early: int, likely: int, late: int
) -> None:
    field = plants([0] * 20)
    visits = [visit_of(field, BEGIN)]
    pace = leaf_pace(visits)
    ends = [leaves_reached(pace, float(n), WEATHER) for n in (early, likely, late)]
    limit = Limit("P", "b", meaning, Bound(leaves))
    found = window(limit, field, visits, WEATHER).opens
    assert found == DateSpan(ends[0].early, ends[1].middle, ends[2].late, ends[0].horizon)
    words = [judge(plants([n] * 20), limit, BEGIN).word for n in range(likely + 1)]
    assert words[likely - 1] == "too early"
    assert words[likely] != "too early"


def test_a_close_is_told_by_the_fewest_collars_that_may_be_past() -> None:
    """Six tips may show at V2 by the wider rule; half of the plants of V3 have them."""
    field = plants([0] * 20)
    visits = [visit_of(field, BEGIN)]
    limit = Limit("P", "b", "visible tips", highest=Bound(5))
    closes = window(limit, field, visits, WEATHER).closes
    assert closes is not None
    assert closes.middle == leaves_reached(leaf_pace(visits), 2.0, WEATHER).middle


def middle(limit: Limit, field: list[PlantEvidence], *visits: Visit, opens: bool = False) -> date:
    found = window(limit, field, visits or [visit_of(field, BEGIN)], WEATHER)
    span = found.opens if opens else found.closes
    assert span is not None
    assert span.middle is not None
    return span.middle


def test_a_plant_that_waits_closes_it_as_far_on_as_it_may_be() -> None:
    """V4 or one leaf more or less, so V6 at most: as if a person had counted that."""
    even = plants([3] * 12)
    unsure = (0.0, 0.0, 0.0, 0.015, 0.97, 0.015)
    waits = PlantEvidence("w", unsure, 4, "hand-count", 0.97, taken_at=BEGIN)
    assert plausible_stages(waits) == (2, 6)
    found = window(A, [*even, waits], [visit_of([*even, waits], BEGIN)], WEATHER)
    assert found.closes is not None
    assert found.closes.middle is not None
    counted = middle(A, [*even, replace(waits, hand_count=6)])
    assert abs((found.closes.middle - counted).days) <= 1
    assert found.closes.middle < middle(A, even) - timedelta(days=7)
    assert AS_FAR_ON in found.reasons
    assert AS_FAR_ON not in window(A, even, [visit_of(even, BEGIN)], WEATHER).reasons
    # It holds an opening back as little on as it may be.
    none_short = replace(A, lowest=Bound(3), share_short=0.0)
    here = middle(none_short, even, opens=True)
    assert here == BEGIN
    assert middle(none_short, [*even, waits], opens=True) > here
    lenient = replace(A, share_past=0.1)
    assert abs((middle(lenient, [*even, waits]) - middle(lenient, even)).days) <= 1


def tall(inches: list[float]) -> list[PlantEvidence]:
    return [
        replace(one, height_mm=height * 25.4)
        for one, height in zip(plants([4] * len(inches)), inches, strict=True)
    ]


def test_the_tallest_plant_closes_it_not_the_mean_of_the_tallest_tenth() -> None:
    """One that grew from 10 to 18 in in a week needs two more days to 20, at 1.14 in a day."""
    week = BEGIN + timedelta(days=7)
    before = tall([6 + 0.02 * k for k in range(39)] + [10.0])
    field = tall([10 + 0.03 * k for k in range(39)] + [18.0])
    visits = visit_of(before, BEGIN), visit_of(field, week)
    limit = Limit("P", "b", highest=Bound(None, 508.0, "20 in"))
    assert abs((middle(limit, field, *visits) - week).days - 2) <= 1
    # The share that may be past is passed over, as with leaves: the others take some weeks.
    assert middle(replace(limit, share_past=0.1), field, *visits) > week + timedelta(days=10)


def test_it_opens_once_no_more_than_the_share_allowed_are_short() -> None:
    uneven = plants([2] * 8 + [4] * 12)
    limit = replace(A, lowest=Bound(3))
    assert middle(limit, uneven, opens=True) == BEGIN
    strict = middle(replace(limit, share_short=0.05), uneven, opens=True)
    # Half a leaf from 2.5 to 3 at about 74 °F-days a leaf and 17.5 a day.
    assert strict == BEGIN + timedelta(days=2)
    most_short = plants([2] * 12 + [6] * 8)  # their mean has passed three leaves, and most haven't
    assert middle(limit, most_short, opens=True) == BEGIN + timedelta(days=2)
    every = replace(limit, share_short=1.0)
    assert middle(every, most_short, opens=True) == BEGIN


def test_it_opens_by_height_once_no_more_than_the_share_allowed_are_short() -> None:
    before, field = tall([2.0] * 12 + [5.0] * 8), tall([3.0] * 12 + [7.5] * 8)
    visits = visit_of(before, BEGIN), visit_of(field, BEGIN + timedelta(days=5))
    limit = Limit("P", "b", lowest=Bound(None, 101.6, "4 in"))
    # The mean is over 4 in and 12 of 20 aren't: one inch more, at 0.2 in a day for 3 in.
    opens = middle(limit, field, *visits, opens=True)
    assert abs((opens - BEGIN).days - 10) <= 1
    assert middle(replace(limit, share_short=0.6), field, *visits, opens=True) == visits[1].day
    flat = [replace(one, height_mm=0.0) for one in field[:1]] + field[1:]
    assert window(replace(limit, share_short=0.0), flat, visits, WEATHER).opens is not None


def test_no_opening_is_reached_on_a_day_that_is_too_early() -> None:
    day, last = BEGIN + timedelta(days=3), BEGIN + timedelta(days=9)
    told = Window("P", DateSpan(BEGIN, day, last, last), None, None)
    after = day + timedelta(days=1)
    assert told.opening_after(day).opens == DateSpan(after, after, last, last)
    assert told.opening_after(last).opens == DateSpan(None, None, None, last)
    assert replace(told, opens=None).opening_after(day).opens is None


def test_a_harvest_planned_before_the_visit_leaves_no_last_day() -> None:
    field = plants([4] * 3)
    limit = Limit("P", "b", days_before_harvest=45)
    for harvest in (date(1, 1, 9), BEGIN - timedelta(days=1)):
        found = window(limit, field, [visit_of(field, BEGIN)], WEATHER, planned_harvest=harvest)
        assert found.last_harvest_day is None


@pytest.mark.parametrize(
    ("ages", "age"),
    [([0] * 12 + [2], 0), ([2] * 13, 2), ([0, 0, 2, 2], 2), ([0, 0, 1], 0), ([], 0)],
)
def test_a_visit_is_of_the_day_that_half_of_its_plants_are_of_or_older(
    ages: list[int], age: int
) -> None:
    """One photo of an early day makes no visit of that day; photos copied later do."""
    field = [
        replace(plant, taken_at=BEGIN - timedelta(days=k))
        for plant, k in zip(plants([4] * len(ages)), ages, strict=True)
    ]
    assert heard_on(field, BEGIN, BEGIN, 3) == (BEGIN - timedelta(days=age), field)
