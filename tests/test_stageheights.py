"""Stage heights: pairs of a count and a height that no plant has."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from command import run
from fields import VISIT, fill, plant, walk

from collarvision.evidence import PlantEvidence
from collarvision.limits import judge
from collarvision.limitsfile import Bound, Limit
from collarvision.limitsteps import misfit_words
from collarvision.stageheights import fits, impossible, misfit, pair_words, usual_mm
from collarvision.survey import HandCount, Place, SurveyReader, SurveyWriter
from collarvision.survey.stopcounts import stop_counts


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", [*walk([4] * 3), (plant(90, 5, sure=0.5, outcome="hand-count"), "1")])
    return path


def count(survey: Path, what: str, *words: str) -> tuple[int, str]:
    result = run("count", survey, what, "--field", "North", "--visit", VISIT, "--who", "A", *words)
    return result.exit_code, " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("collars", "inches"),
    # Mississippi State Univ. 2024; three collars 7-8 in and five about 17: common practice.
    [(2, 2), (2, 4), (3, 5), (3, 8), (5, 10), (5, 17), (6, 14), (6, 20), (0, 0.1), (8, 30)],
)
def test_usual_heights_fit_and_so_does_half_or_half_more(collars: int, inches: float) -> None:
    for factor in (1, 0.6, 1.5):
        assert fits(collars, inches * factor * 25.4) == "yes"


def test_usual_heights_only_rise() -> None:
    ends = [usual_mm(k) for k in range(23)]
    for end in (0, 1):
        assert [one[end] for one in ends] == sorted(one[end] for one in ends)
    assert all(low < high for low, high in ends)


@pytest.mark.parametrize(
    ("collars", "mm", "typed", "said"),
    [
        (6, 190, "19 cm", "V6 at 19 cm is unusually short: 19 in?"),
        (3, 457.2, "18 in", "V3 at 18 in is unusually tall: 18 cm?"),
        (5, 16, "16 mm", "V5 at 16 mm is far too short: 16 cm?"),
        (0, 2400, "2.4 m", "VE at 2.4 m is far too tall: 2.4 cm?"),
        (20, 2, "2 mm", "V20 at 2 mm is far too short: 2 m?"),
        (6, 1000, "100 cm", "V6 at 100 cm is unusually tall."),
        (6, 400, "40 cm", None),
    ],
)
def test_what_is_said_of_a_pair(collars: int, mm: float, typed: str, said: str | None) -> None:
    assert pair_words(collars, mm, typed) == said


@pytest.mark.parametrize(
    ("stage", "height"), [("V20", "2 mm"), ("VE", "2.4 m"), ("V3", "2 m"), ("V8", "20 mm")]
)
@pytest.mark.parametrize("what", ["stop 1", "IMG_0090.jpg"])
def test_an_impossible_pair_is_refused(survey: Path, what: str, stage: str, height: str) -> None:
    status, said = count(survey, what, "--stage", stage, "--height", height)
    assert status == 2
    assert f"{stage} at {height} is far too " in said
    assert "Nothing is kept: see the unit and the count, and enter both again." in said
    with SurveyReader(survey) as store:
        assert not list(stop_counts(store))
        assert not list(store.counts())


def test_a_doubtful_pair_is_kept_and_asked_about(survey: Path) -> None:
    for what in ("stop 1", "IMG_0090.jpg"):
        status, said = count(survey, what, "--stage", "6", "--height", "19 cm")
        assert status == 0
        assert "SURE? V6 at 19 cm is unusually short: 19 in? Count it again if so." in said
    with SurveyReader(survey) as store:
        assert len(list(store.counts())) == 1
    nodes = count(survey, "stop 1", "--nodes", "2", "--height", "19 cm")[1]
    assert "SURE? V6 at 19 cm" in nodes


def test_halves_of_two_counts_are_seen_together(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", "--stage", "6")
    status, said = count(survey, "IMG_0090.jpg", "--height", "19 mm")
    assert status == 0
    assert "SURE? V6 at 19 mm is far too short: 19 in?" in said
    assert "SURE?" not in count(survey, "IMG_0090.jpg", "--height", "19 in")[1]
    assert "SURE? V1 at 19.0 in is far too tall" in count(survey, "IMG_0090.jpg", "--stage", "1")[1]


# What the field makes of such a pair


def judged(survey: Path, maximum: str) -> tuple[dict[str, str], str]:
    """The verdict by one maximum, and what is told before it."""
    limits = survey.with_name("limits.toml")
    limits.write_text(f'[[limit]]\nname = "A"\nmethod = "b"\n{maximum}\n', encoding="utf-8")
    words = ["field", survey, "--field", "North", "--day", VISIT, "--limits", limits]
    told = " ".join(run(*words).stdout.split("Limit ")[0].split())
    return json.loads(run(*words, "--format", "json").stdout)["verdicts"][0], told


SHORT = 'max_height = "30 in"'


def test_plants_of_an_impossible_height_carry_no_open(tmp_path: Path) -> None:
    path = tmp_path / "season.survey"
    plants = [(stop, number) for stop in range(1, 6) for number in (1, 2)]
    with SurveyWriter(path, create=True) as store:
        for stop, _ in plants:
            made = HandCount("A", f"{VISIT}T10:00:00+00:00", 10)
            store.add_stop_count(Place("North", VISIT.isoformat(), str(stop)), made)
    for stop, number in plants:
        said = count(path, f"stop {stop}, plant {number}", "--height", "40 mm")[1]
        assert "V10 at 40 mm is far too short" in said
    verdict, told = judged(path, SHORT)
    assert verdict["verdict"] == "can't tell"
    said = (
        "stop 1, plant 1 (V10, far too short), stop 1, plant 2 (V10, far too short), stop 2, plant "
        "1 (V10, far too short) and 7 more can't have both their stage and their height: count and "
        "measure them again."
    )
    assert said in verdict["sentence"]
    assert f"Mind: {said}" in told
    # The safe answer stands by either half.
    assert judged(path, 'leaf = "collars"\nmax_leaves = 8')[0]["verdict"] == "past"
    for stop, number in plants:
        count(path, f"stop {stop}, plant {number}", "--height", "26 in")
    verdict, told = judged(path, SHORT)
    assert verdict["verdict"] == "closing"
    assert "count and measure" not in told


@pytest.mark.parametrize(
    ("told", "how"),
    [
        ({"hand_count": 10, "height_mm": 40.0}, "short"),
        ({"hand_count": 3, "height_mm": 1000.0}, "tall"),
        # Read and measured by hand; counted and read.
        ({"stage": 10, "height_mm": 40.0}, "short"),
        ({"hand_count": 10, "height_mm": 40.0, "height_interval_mm": (35.0, 45.0)}, "short"),
        ({"stage": 10, "height_mm": 40.0, "height_interval_mm": (35.0, 45.0)}, None),
        ({"stage": 10, "height_mm": 40.0, "outcome": "rejected"}, None),
        # What may be counted still, and the leaf that nodes may miss, can fit.
        ({"stage": 3, "height_mm": 20.0, "outcome": "hand-count"}, None),
        ({"stage": 9, "height_mm": 40.0, "outcome": "hand-count"}, "short"),
        ({"hand_count": 3, "height_mm": 750.0}, "tall"),
        ({"hand_count": 3, "height_mm": 750.0, "one_more": 0.2}, None),
        ({"hand_count": 6}, None),
        ({"hand_count": 6, "height_mm": 190.0}, None),
    ],
)
def test_which_plants_no_height_goes_with(told: dict[str, object], how: str | None) -> None:
    assert misfit(PlantEvidence("p", **told)) == how  # type: ignore[arg-type]


def test_one_plant_of_an_impossible_height_is_named() -> None:
    limit = Limit("Product A", "broadcast", "collars", Bound(2), Bound(8))
    field = [PlantEvidence(f"p{k}", hand_count=4, taken_at=VISIT) for k in range(11)]
    slip = PlantEvidence("slip", hand_count=3, height_mm=1000.0, taken_at=VISIT)
    said = "slip (V3, far too tall) can't have both its stage and its height: count and measure it "
    for bound in (limit, replace(limit, lowest=Bound(5))):  # else open, and too early
        verdict = judge([*field, slip], bound, VISIT)
        assert verdict.word == "can't tell"
        assert said + "again." in verdict.steps
    assert judge([*field, replace(slip, hand_count=9)], limit, VISIT).word == "past"


# Plants cut by hail, cards, and what a slip may do to other days

BY_LEAVES = Limit("Product A", "broadcast", "collars", highest=Bound(10))
EITHER = Limit("Product A", "broadcast", "collars", highest=Bound(10, 900.0, "90 cm"))


def cut(stage: int = 8, mm: float | None = 100.0, **more: object) -> list[PlantEvidence]:
    told: dict[str, object] = {"hand_count": stage, "height_mm": mm, "taken_at": VISIT, **more}
    return [PlantEvidence(f"p{k}", stop=str(k % 4), **told) for k in range(12)]  # type: ignore[arg-type]


def test_stubs_that_hail_left_are_judged_by_their_leaves() -> None:
    assert judge(cut(), BY_LEAVES, VISIT).word == "open"
    verdict = judge(cut(), EITHER, VISIT)
    assert verdict.word == "can't tell"
    said = "measure them again. If hail cut them, only a limit in leaves can judge them."
    assert verdict.steps[0].endswith(said)
    # Measured far too tall, the stage may be typed too low.
    assert judge(cut(mm=4000.0), BY_LEAVES, VISIT).word == "can't tell"


@pytest.mark.parametrize("mm", [30.0, 4000.0])
def test_a_height_by_the_card_holds_no_limit_in_leaves_back(mm: float) -> None:
    one = PlantEvidence("card", hand_count=8, height_mm=mm, height_interval_mm=(mm, mm + 1))
    field = [*cut(mm=None), replace(one, taken_at=VISIT)]
    assert judge(field, BY_LEAVES, VISIT).word == "open"
    assert judge(field, EITHER, VISIT).word != "open"


@pytest.mark.parametrize(
    ("collars", "mm", "never"),
    [(8, 100, False), (8, 30, True), (22, 60, False), (3, 20, False), (3, 5, True), (0, 1, False)],
)
def test_only_what_no_stub_is_left_of_is_too_short_to_be_kept(
    collars: int, mm: float, never: bool
) -> None:
    assert impossible(collars, mm) == never


def test_a_stub_is_kept_and_asked_about(survey: Path) -> None:
    for what in ("stop 1", "IMG_0090.jpg"):
        status, said = count(survey, what, "--stage", "8", "--height", "4 in")
        assert status == 0
        assert "SURE? V8 at 4 in is far too short" in said


def test_a_slip_makes_no_other_day_past() -> None:
    before = VISIT - timedelta(days=9)
    then = cut(2, 90.0, taken_at=before)
    then[3] = replace(then[3], name="slip", height_mm=4826.0)
    now = cut(4, 300.0)
    said = "slip (V2, far too tall) can't have both its stage and its height: count and measure it "
    verdict = judge(now, EITHER, VISIT, earlier=[(before, then)])
    assert (verdict.word, verdict.then) == ("open", None)
    (doubt,) = (one for one in verdict.reasons if "may have been past" in one)
    assert doubt.startswith(f"On {before} the field may have been past already: slip by its height")
    assert said + "again." in doubt
    # On its own day it is past, and what that rests on is said.
    own = judge(then, EITHER, before)
    assert own.word == "past"
    assert said + "again." in own.reasons
    assert not any("slip" in one for one in judge(cut(11, 800.0), EITHER, VISIT).reasons)
    # Past by its leaves it is so by either slip.
    then[3] = replace(then[3], hand_count=11, height_mm=4900.0, one_more=0.0)
    then[4] = replace(then[4], name="tall", hand_count=11, height_mm=6000.0)
    verdict = judge(now, EITHER, VISIT, earlier=[(before, [*then[:3], *then[4:]])])
    assert (verdict.word, verdict.then) == ("past", before)


def test_a_plant_that_waits_is_named_as_it_was_read() -> None:
    waits = PlantEvidence("a", (0, 0, 0, 0.5, 0.5), 3, "hand-count", 0.4, 4000.0)
    assert misfit_words([waits])[0].startswith("a (V3?, far too tall) can't")
    assert misfit_words([replace(waits, stage=None)])[0].startswith("a (not counted, far too tall)")
