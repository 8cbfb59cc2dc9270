"""Decision: one answer of a field, and what the survey keeps of it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from fields import LIMITS, VISIT, fill, plant, walk, weather_csv
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.damage import wait_after
from collarvision.decision import FieldAnswer, answer_record, decide
from collarvision.evidence import PlantEvidence
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import FieldVisit, FieldVisits, visits_of
from collarvision.keeping import keep_decision
from collarvision.limitsfile import Bound, Limit, Limits, TankMix, parse_limits
from collarvision.limitwords import CAUTION
from collarvision.outlook import look_ahead, read_weather
from collarvision.sampling import SequentialTest
from collarvision.seenplants import SeenPlant
from collarvision.survey import SurveyReader, SurveyWriter
from collarvision.units import Shown

TODAY = VISIT + timedelta(days=1)
TYPED = parse_limits(LIMITS)


def visits(evidence: list[PlantEvidence]) -> FieldVisits:
    plants = tuple(SeenPlant(one) for one in evidence)
    return FieldVisits("North", None, FieldVisit(VISIT, 1, plants))


def counted(stages: list[int], inches: float | None = None, stops: int = 4) -> list[PlantEvidence]:
    return [
        PlantEvidence(
            f"p{k}",
            hand_count=stage,
            height_mm=None if inches is None else inches * 25.4,
            taken_at=VISIT,
            stop=str(k % stops),
        )
        for k, stage in enumerate(stages)
    ]


def words(answer: FieldAnswer) -> dict[str, str]:
    return {verdict.name: verdict.word for verdict in answer.verdicts}


@pytest.mark.parametrize(
    ("stages", "inches", "over_the_top", "drop_nozzles"),
    [
        # "4 in or two collars" to "20 in or six collars", and eight collars: common practice.
        ([3] * 12, 7.5, "open", "open"),  # three-collar plants are 7-8 in
        ([5] * 12, 17.0, "closing", "open"),  # five collars, 17 in: inside and close
        ([7] * 12, 24.0, "past", "closing"),  # past six, inside eight
        ([1] * 12, 2.0, "too early", "open"),
    ],
)
def test_the_verdicts_of_common_practice(
    stages: list[int], inches: float, over_the_top: str, drop_nozzles: str
) -> None:
    answer = decide(visits(counted(stages, inches)), TODAY, limits=TYPED)
    found = words(answer)
    assert found["Product A, over the top"] == over_the_top
    assert found["Product B"] == drop_nozzles
    # The mix is as strict as its strictest part: over the top in all of these.
    assert found["A with B"] == over_the_top


def test_every_verdict_carries_the_caution_and_the_record_is_json() -> None:
    answer = decide(visits(counted([4] * 12, 12.0)), TODAY, limits=TYPED)
    record = json.loads(json.dumps(answer_record(answer), allow_nan=False))
    assert [one["caution"] for one in record["verdicts"]] == [CAUTION] * 3
    assert record["stage_name"] == "V4"
    assert record["visit"] == "2027-06-04"
    assert record["at_or_past"][3]["seen"] == 1
    assert record["verdicts"][1]["last_day_before_harvest"] == "2027-08-26"
    assert record["verdicts"][2]["last_day_before_harvest"] == "2027-08-26"


def test_no_plant_and_one_plant() -> None:
    none = decide(visits([]), TODAY, limits=TYPED)
    assert set(words(none).values()) == {"can't tell"}
    assert none.stage.stage is None
    assert not none.enough.enough
    one = decide(visits(counted([4], 12.0)), TODAY, limits=TYPED)
    assert set(words(one).values()) == {"can't tell"}
    assert "at least 9 more" in one.verdicts[0].sentence
    for answer in (none, one):
        assert "label is the law" in format_answer(answer, Shown("in"))


def test_an_old_visit_and_one_in_the_future() -> None:
    evidence = counted([4] * 12, 12.0)
    old = decide(visits(evidence), VISIT + timedelta(days=9), limits=TYPED)
    assert set(words(old).values()) == {"can't tell"}
    assert "9 days old" in old.verdicts[0].sentence
    future = decide(visits(evidence), VISIT - timedelta(days=1), limits=TYPED)
    assert "check the phone's clock" in future.verdicts[0].sentence


def test_hail_holds_back_what_is_not_past() -> None:
    wait = wait_after("hail", VISIT - timedelta(days=1), VISIT, TODAY)
    open_field = decide(visits(counted([4] * 12, 12.0)), TODAY, limits=TYPED, wait=wait)
    assert set(words(open_field).values()) == {"can't tell"}
    assert "too soon after the hail" in open_field.verdicts[0].sentence
    assert CAUTION in open_field.verdicts[0].sentence
    past = decide(visits(counted([9] * 12, 40.0)), TODAY, limits=TYPED, wait=wait)
    assert set(words(past).values()) == {"past"}
    later = wait_after("hail", VISIT - timedelta(days=4), VISIT, TODAY)
    assert decide(visits(counted([4] * 12, 12.0)), TODAY, limits=TYPED, wait=later).verdicts[
        0
    ].word in ("open", "closing")


def test_a_tank_mix_held_back_by_hail_goes_on_naming_a_limit() -> None:
    wait = wait_after("hail", VISIT - timedelta(days=1), VISIT, TODAY)
    held = decide(visits(counted([4] * 12, 12.0)), TODAY, limits=TYPED, wait=wait)
    assert [one.decided_by for one in held.verdicts] == ["hail", "hail", "Product A, over the top"]
    text = " ".join(format_answer(held, Shown("in"), width=110).split())
    assert "A with B: CAN'T TELL. As its most restrictive part is: Product A, over the top." in text
    assert text.count("label is the law") == 1


@pytest.mark.parametrize(
    ("stages", "inches", "hail", "last_days"),
    [
        ([4] * 12, 12.0, False, [None, "2027-08-26", "2027-08-26"]),
        ([4] * 12, 12.0, True, [None, None, None]),
        ([4] * 3, 12.0, False, [None, None, None]),
        ([7] * 12, 24.0, False, [None, "2027-08-26", None]),
        ([9] * 12, 40.0, False, [None, None, None]),
    ],
)
def test_a_last_day_stands_beside_no_verdict_that_leaves_none(
    stages: list[int], inches: float, hail: bool, last_days: list[str | None]
) -> None:
    wait = wait_after("hail", VISIT - timedelta(days=1), VISIT, TODAY) if hail else None
    answer = decide(visits(counted(stages, inches)), TODAY, limits=TYPED, wait=wait)
    found = [one["last_day_before_harvest"] for one in answer_record(answer)["verdicts"]]
    assert found == last_days
    head = format_answer(answer, Shown("in"), width=110).partition("Product A, over the top:")[0]
    assert head.count("2027-08-26") == sum(day is not None for day in last_days)
    assert ("Last day" in head) == any(last_days)


def test_a_limit_that_ended_by_its_days_before_harvest_says_which_day_that_was() -> None:
    ended = replace(TYPED, planned_harvest=TODAY + timedelta(days=40))
    answer = decide(visits(counted([4] * 12, 12.0)), TODAY, limits=ended)
    assert words(answer)["Product B"] == words(answer)["A with B"] == "past"
    day = (TODAY - timedelta(days=5)).isoformat()
    found = [one["last_day_before_harvest"] for one in answer_record(answer)["verdicts"]]
    assert found == [None, day, day]


@pytest.mark.parametrize("days", [(30, 45), (45, 30), (None, 45), (45, None)])
def test_a_tank_mix_ends_with_the_part_that_ends_first(days: tuple[int | None, ...]) -> None:
    """45 days before 10 October is 26 August; the part of 30 days ends on 10 September."""
    parts = zip(TYPED.limits, days, strict=True)
    limits = replace(
        TYPED, limits=tuple(replace(one, days_before_harvest=own) for one, own in parts)
    )
    answer = decide(visits(counted([4] * 12, 12.0)), TODAY, limits=limits)
    found = [one["last_day_before_harvest"] for one in answer_record(answer)["verdicts"]]
    last = {30: "2027-09-10", 45: "2027-08-26", None: None}
    assert found == [*(last[own] for own in days), "2027-08-26"]


def test_what_cannot_be_told_has_no_dates(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    evidence = counted([4] * 12, 12.0)
    ahead = look_ahead([(VISIT, evidence)], weather, TYPED)
    told = decide(visits(evidence), TODAY, limits=TYPED, outlook=ahead)
    assert told.window_of("Product B") is not None
    assert "No dates" not in format_answer(told, Shown("in"), width=110)
    wait = wait_after("hail", VISIT - timedelta(days=1), VISIT, TODAY)
    held = decide(visits(evidence), TODAY, limits=TYPED, outlook=ahead, wait=wait)
    assert held.window_of("Product B") is None
    for width in (60, 110):
        text = format_answer(held, Shown("in"), width=width)
        assert "No dates: none of the limits can be told yet." in text
        assert "closes 2027" not in text
        assert "2027-06-05 to" not in text
    for verdict in answer_record(held)["verdicts"]:
        assert (verdict["opens"], verdict["closes"]) == (None, None)


def test_enough_is_asked_of_the_share_that_needs_the_most() -> None:
    half = decide(visits(counted([4] * 20 + [5] * 20, stops=40)), TODAY)
    assert half.enough_for == "plants at or past V5"
    even = decide(visits(counted([4] * 40, stops=40)), TODAY)
    assert even.enough.enough
    quick = decide(visits(counted([4] * 11, stops=40)), TODAY, test=SequentialTest())
    slow = decide(visits(counted([4] * 11, stops=40)), TODAY, precision=0.05)
    assert quick.enough.enough
    assert not slow.enough.enough


def test_a_share_has_one_interval_in_an_answer() -> None:
    answer = decide(visits(counted([4] * 12 + [5] * 8)), TODAY)
    record = answer_record(answer)
    share = next(one for one in record["at_or_past"] if one["stage"] == "V5")
    assert record["enough_plants"]["of"] == "plants at or past V5"
    assert record["enough_plants"]["interval"] == share["interval"]
    low, high = share["interval"]
    assert f"({low:.0%} to {high:.0%} of the field)" in record["enough_plants"]["sentence"]
    text = " ".join(format_answer(answer, Shown("in"), width=110).split())
    assert text.count(f"{low:.0%} to {high:.0%}") == 2  # in the table and beside the sample


def test_enough_holds_for_the_interval_that_is_told() -> None:
    """43 plants are enough by number; doubtful readings leave the share wider than asked."""

    def read(sure: float) -> FieldAnswer:
        stages = [4 + k % 2 for k in range(43)]
        evidence = [
            PlantEvidence(
                f"p{k}",
                (0, 0, 0, 0, sure, 1 - sure) if stage == 4 else (0, 0, 0, 0, 1 - sure, sure),
                stage,
                stop=str(k),
            )
            for k, stage in enumerate(stages)
        ]
        return decide(visits(evidence), TODAY)

    assert read(1.0).enough.enough
    doubtful = read(0.7).enough
    assert doubtful.interval is not None
    assert doubtful.interval[1] - doubtful.interval[0] > 2 * 0.15
    assert not doubtful.enough
    assert doubtful.more > 0
    assert not doubtful.sentence.startswith("Enough")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=14),
    st.integers(1, 4),
    st.sampled_from([0.0, 0.1, 0.5, 0.9]),
)
def test_moving_every_plant_up_a_stage_never_turns_past_into_open(
    stages: list[int], stops: int, share: float
) -> None:
    limits = Limits(tuple(replace(one, share_past=share) for one in TYPED.limits), TYPED.mixes)

    def found(more: int) -> dict[str, str]:
        evidence = [
            replace(one, height_mm=(4.0 + (stages[k] + more) * 3) * 25.4)
            for k, one in enumerate(counted([s + more for s in stages], stops=stops))
        ]
        return words(decide(visits(evidence), TODAY, limits=limits))

    before, after = found(0), found(1)
    assert all(after[name] == "past" for name in before if before[name] == "past")


# Kept in the survey


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", [*walk([4] * 14, height_in=12), (plant(90, 4, outcome="hand-count"), "1")])
    return path


def test_a_decision_is_kept_with_its_limits_once(survey: Path) -> None:
    with SurveyWriter(survey, create=True) as store:
        found = visits_of(store, "North")
        answer = decide(found, TODAY, limits=TYPED)
        assert keep_decision(store, answer, found.chosen.visit_id, "A. Adviser") == 3
        assert keep_decision(store, answer, found.chosen.visit_id, "A. Adviser") == 3
        changed = replace(TYPED, limits=(replace(TYPED.limits[0], share_past=0.1), TYPED.limits[1]))
        keep_decision(store, decide(found, TODAY, limits=changed), found.chosen.visit_id, "B")
    with SurveyReader(survey) as store:
        limits, decisions = list(store.limits()), list(store.decisions("North"))
    assert [one.name for one in limits] == [
        "Product A, over the top",
        "Product B",
        "Product A, over the top",
    ]
    assert limits[0].terms["highest"] == {
        "leaves": 6,
        "height_mm": 508.0,
        "height_typed": "20 in",
    }
    assert len(decisions) == 9
    assert decisions[0].who == "A. Adviser"
    assert decisions[0].verdict == answer.verdicts[0].word
    assert decisions[0].basis["plants"] == 14
    assert decisions[0].basis["version"]
    with SurveyReader(survey) as store:
        again = decide(visits_of(store, "North"), TODAY, limits=TYPED)
    assert [one["who"] for one in answer_record(again)["kept_before"]].count("A. Adviser") == 6
    assert "Kept" in format_answer(again, Shown("in"))
    assert decisions[2].limit is None  # a tank mix
    assert decisions[2].basis["limit"] == "A with B"


# In words


@pytest.mark.parametrize("width", [40, 60, 80, 110])
def test_the_table_fits_and_says_it_all(survey: Path, width: int) -> None:
    with SurveyReader(survey) as store:
        answer = decide(visits_of(store, "North"), TODAY, limits=TYPED)
    text = format_answer(answer, Shown("cm"), width=width)
    assert max(map(len, text.splitlines())) <= width
    assert "\x1b" not in text
    flat = " ".join(text.split())
    for said in (
        "OPEN",
        "Product A, over the top",
        "IMG_0090.jpg",
        "label is the law",
        "Mean 30.2 cm",
    ):
        assert said in flat, said
    assert "\x1b" in format_answer(answer, Shown("cm"), width=width, colour=True)


def test_names_with_brackets_and_control_characters_are_shown_as_they_are() -> None:
    evidence = [replace(one, name=f"[red]{one.name}") for one in counted([7] * 12, 30.0)]
    answer = replace(decide(visits(evidence), TODAY, limits=TYPED), field="[bold]\x1b[2J")
    text = format_answer(answer, Shown("in"), width=110)
    assert "[red]p" in text
    assert "[bold]" in text
    assert "\x1b" not in text


@pytest.mark.parametrize("ahead", [0, 2])
def test_no_opening_that_is_reached_stands_beside_too_early(tmp_path: Path, ahead: int) -> None:
    """One of twenty says that over 1 in 20 of the field are short; by heat it is there in days."""
    first, second = Limit("A", "b", "collars", Bound(4), share_short=0.05), Limit("B", "b")
    second = replace(second, leaf="collars", highest=Bound(9))
    limits = Limits((first, second), (TankMix("A with B", ("A", "B")),))
    today = VISIT + timedelta(days=ahead)
    evidence = counted([3] + [4] * 19)
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, today)
    outlook = look_ahead([(VISIT, evidence)], weather, limits, today=today)
    answer = decide(visits(evidence), today, limits=limits, outlook=outlook)
    assert words(answer) == {"A": "too early", "B": "open", "A with B": "too early"}
    found = answer_record(answer)["verdicts"]
    for one in (found[0], found[2]):
        assert one["opens"]["early"] > today.isoformat()
        assert one["opens"]["middle"] > today.isoformat()
    assert f"by {today}" not in format_answer(answer, Shown("in"), width=110)
