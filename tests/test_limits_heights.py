"""Limits and heights: plants whose height is known and whose leaves nobody counted."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limits import STRICTNESS, judge
from collarvision.limitsfile import Bound, Limit
from collarvision.standing import stand
from collarvision.units import Shown

TODAY = date(2026, 6, 4)
INCH = 25.4

BY_HEIGHT = Limit("Product A", "broadcast", highest=Bound(None, 20 * INCH, "20 in"))
EITHER = Limit("Product B", "broadcast", "collars", highest=Bound(6, 20 * INCH, "20 in"))
BY_LEAVES = Limit("Product C", "broadcast", "collars", highest=Bound(6))

FIELD = [
    PlantEvidence(
        f"q{k}",
        stage=4,
        confidence=0.999,
        height_mm=250.0,
        height_interval_mm=(240.0, 260.0),
        taken_at=TODAY,
    )
    for k in range(12)
]
# The photo was rejected and a person put a tape to the plant.
TAPED = PlantEvidence("taped", outcome="rejected", height_mm=800.0, taken_at=TODAY)


@pytest.mark.parametrize("limit", [BY_HEIGHT, EITHER])
def test_a_plant_measured_by_hand_over_the_maximum_is_past(limit: Limit) -> None:
    for taped in (TAPED, replace(TAPED, taken_at=TODAY - timedelta(days=9))):
        verdict = judge([*FIELD, taped], limit, TODAY)
        assert (verdict.word, verdict.deciding_plants) == ("past", ("taped",))
        assert verdict.decided_by == "height"
        assert "1 of 13 plants seen is past" in verdict.sentence
    assert judge([TAPED], limit, TODAY).word == "past"


def test_a_height_by_hand_names_the_most_advanced_plant_and_is_noted() -> None:
    near = replace(TAPED, height_mm=17.7 * INCH)
    verdict = judge([*FIELD, near], EITHER, TODAY)
    assert (verdict.word, verdict.deciding_plants) == ("closing", ("taped",))
    assert (
        "Of 13 plants seen the most advanced is taped (17.7 in, leaves not counted), inside the "
        "height of 20 in. The 12 with an answer can't rule out" in verdict.sentence
    )
    said = "1 plant has a height by hand and no leaf count, so it counts by height alone, and only"
    assert f"{said} towards the maximum: taped (17.7 in)." in verdict.reasons
    cm = judge([*FIELD, near], EITHER, TODAY, shown=Shown("cm")).reasons
    assert any("taped (45.0 cm)" in reason for reason in cm)
    alone = judge([*FIELD, near], BY_HEIGHT, TODAY)
    assert "Of 13 plants seen the most advanced is taped (17.7 in), inside 20 in." in alone.sentence
    # A V6 plant is nearer to six collars than one of 11 in is to 20 in.
    ahead = replace(FIELD[0], name="ahead", hand_count=6)
    low = judge([*FIELD, ahead, replace(TAPED, height_mm=11 * INCH)], EITHER, TODAY)
    assert "the most advanced is ahead (V6" in low.sentence


def test_a_height_by_hand_says_nothing_of_leaves() -> None:
    bare = judge(FIELD, BY_LEAVES, TODAY)
    # Its photo may have been read before it was rejected: that is no knowledge.
    read = replace(TAPED, stage=9, confidence=0.9)
    for taped in (TAPED, read):
        verdict = judge([*FIELD, taped], BY_LEAVES, TODAY)
        assert (verdict.word, verdict.sentence) == (bare.word, bare.sentence)
        assert verdict.share_past == bare.share_past
        assert any("no greatest height: taped (31.5 in)" in one for one in verdict.reasons)
    short = replace(read, height_mm=100.0)
    assert stand(short, EITHER).past == pytest.approx(0)
    # Nor is it one of the plants that an answer needs.
    ten = [replace(TAPED, name=f"t{k}", height_mm=150.0) for k in range(10)]
    verdict = judge([*FIELD[:3], *ten], EITHER, TODAY)
    assert "Only 3 plants with an answer: photograph at least 7 more." in verdict.steps


@pytest.mark.parametrize("height_mm", [20.0, 150.0, 450.0, 520.0, 800.0])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("stage", [1, 4, 6, 7])
def test_heights_by_hand_never_make_an_answer_safer(
    height_mm: float, share: float, stage: int
) -> None:
    limit = Limit(
        "Product D",
        "broadcast",
        "collars",
        Bound(2, 4 * INCH, "4 in"),
        Bound(6, 20 * INCH, "20 in"),
        share_past=share,
    )
    field = [*FIELD[:8], *(replace(p, hand_count=stage) for p in FIELD[8:])]
    taped = [replace(TAPED, name=f"t{k}", height_mm=height_mm) for k in range(15)]
    before, after = judge(field, limit, TODAY), judge([*field, *taped], limit, TODAY)
    assert STRICTNESS.index(after.word) <= STRICTNESS.index(before.word)
    assert before.share_past is not None
    assert after.share_past is not None
    assert after.share_past[1] >= before.share_past[1]


def test_short_plants_measured_by_hand_are_not_short_of_leaves() -> None:
    limit = replace(EITHER, lowest=Bound(2))
    taped = [replace(TAPED, name=f"t{k}", height_mm=60.0) for k in range(20)]
    assert judge([*FIELD, *taped], limit, TODAY).word == "open"
    early = [replace(p, hand_count=1) for p in FIELD]
    verdict = judge([*early, *taped], limit, TODAY)
    assert verdict.word == "too early"
    assert "12 of 12 plants seen are short of 2 collars" in verdict.sentence


def test_a_height_read_on_a_rejected_photo_counts_for_nothing() -> None:
    read = replace(TAPED, height_interval_mm=(780.0, 820.0))
    for limit in (BY_HEIGHT, EITHER):
        assert judge([*FIELD, read], limit, TODAY) == judge(FIELD, limit, TODAY)


def test_a_limit_by_height_alone_needs_no_leaf_count() -> None:
    waiting = [
        replace(p, name=f"w{k}", outcome="hand-count", stage=None, confidence=None)
        for k, p in enumerate(FIELD)
    ]
    verdict = judge(waiting, BY_HEIGHT, TODAY)
    assert verdict.word == "open"
    assert "the most advanced is w0 (9.8 in), inside 20 in." in verdict.sentence
    assert not verdict.steps
    few = judge(waiting[:4], BY_HEIGHT, TODAY)
    assert few.steps == ("Only 4 plants with an answer: photograph at least 6 more.",)
    # Heights by hand are answers there too, and the tallest plant leads, not that of most leaves.
    taped = [replace(TAPED, name=f"t{k}", height_mm=240.0 + k) for k in range(12)]
    said = judge([*taped, replace(FIELD[0], height_mm=241.0)], BY_HEIGHT, TODAY).sentence
    assert "the most advanced is t11 (9.9 in)" in said
    minimum = Limit("Product E", "broadcast", lowest=Bound(None, 300.0, "30 cm"))
    assert judge(waiting, minimum, TODAY).word == "too early"
    # Where leaves count as well, they wait.
    assert "count the 12 that wait" in judge(waiting, EITHER, TODAY).sentence


def test_an_undated_height_by_hand_holds_the_answer_back() -> None:
    undated = replace(TAPED, name="loose", taken_at=None)
    verdict = judge(FIELD, EITHER, TODAY, undated=[undated])
    assert verdict.word == "can't tell"
    assert "say the day of loose" in verdict.sentence


# A height that no arch bears out is shown with "?" wherever it is shown.
FREE = PlantEvidence(
    "free",
    stage=6,
    confidence=0.999,
    height_mm=20.2 * INCH,
    height_interval_mm=(18.5 * INCH, 21.8 * INCH),
    height_basis="free-standing",
    taken_at=TODAY,
)


def test_a_height_in_doubt_keeps_its_sign_in_a_verdict() -> None:
    tall = replace(FREE, height_mm=19.0 * INCH, height_interval_mm=(18.9 * INCH, 19.1 * INCH))
    verdict = judge([*FIELD, tall], EITHER, TODAY)
    assert verdict.word == "closing"
    assert "the most advanced is free (V6, 19.0 in?), inside" in verdict.sentence
    cm = judge([*FIELD, tall], EITHER, TODAY, shown=Shown("cm")).sentence
    assert "free (V6, 48.3 cm?)" in cm
    sound = judge([*FIELD, replace(tall, height_basis="arch")], EITHER, TODAY)
    assert "free (V6, 19.0 in), inside" in sound.sentence


def test_plants_past_by_a_height_in_doubt_are_told_apart_and_still_decide() -> None:
    old = replace(FREE, name="old", stage=7)
    tall = replace(FREE, name="tall", height_mm=25 * INCH, height_interval_mm=(635.0, 636.0))
    verdict = judge([*FIELD, FREE, old], EITHER, TODAY)
    assert (verdict.word, verdict.deciding_plants) == ("past", ("old", "free"))
    assert (
        "past. 1 of 14 plants seen is past 6 collars or 20 in: old. free may be past it by its "
        "height (58%): look at it again." in verdict.sentence
    )
    # However far over the height: another leaf may govern it.
    alone = judge([*FIELD, tall], EITHER, TODAY)
    assert (alone.word, alone.deciding_plants) == ("past", ("tall",))
    assert "past. tall may be past 6 collars or 20 in by its height (99%)" in alone.sentence
    two = judge([*FIELD, FREE, tall], EITHER, TODAY).sentence
    assert "2 plants may be past 6 collars or 20 in: tall by its height (99%), free by" in two
    # The same plants with an arch get the same answer: only how it is told differs.
    for plants in ([FREE, old], [tall]):
        arched = [replace(plant, height_basis="arch") for plant in plants]
        one, other = (judge([*FIELD, *some], EITHER, TODAY) for some in (plants, arched))
        assert (one.word, one.probability, one.share_past, one.deciding_plants) == (
            (other.word, other.probability, other.share_past, other.deciding_plants)
        )


# Plants without a height


def test_a_limit_by_height_says_who_has_none() -> None:
    bare = [
        replace(p, name=f"bare{k}", height_mm=None, height_interval_mm=None)
        for k, p in enumerate(FIELD[:3])
    ]
    verdict = judge([*FIELD, *bare], BY_HEIGHT, TODAY)
    assert verdict.word == "open"
    assert "3 plants without a height are not judged." in verdict.reasons
    # One that a photo cut off, with more collars than the tallest plant measured.
    ahead = replace(bare[0], stage=5, name="cut off")
    verdict = judge([*FIELD, ahead], BY_HEIGHT, TODAY)
    assert verdict.word == "can't tell"
    assert "1 plant without a height is not judged" in verdict.steps[0]
    assert verdict.steps[0].endswith("by its collars: measure cut off.")
    # Too many to be spoken for by the others, however small.
    many = [replace(bare[0], stage=3, name=f"m{k}") for k in range(5)]
    verdict = judge([*FIELD, *many], BY_HEIGHT, TODAY)
    assert verdict.word == "can't tell"
    assert "too many to answer by the others: measure m0" in verdict.sentence
    assert judge([*FIELD, TAPED, ahead, *many], BY_HEIGHT, TODAY).word == "past"
    waits = replace(ahead, outcome="hand-count", name="waits")
    assert judge([*FIELD, waits], BY_HEIGHT, TODAY).word == "can't tell"
    # One that waits without a stage may be what is plausible of it: V3 to V6, and V2 to V4.
    for belief, word in (((0, 0, 0, 0, 0.5, 0.5), "can't tell"), ((0, 0, 0, 1.0), "open")):
        unread = replace(waits, stage=None, confidence=None, stage_probabilities=belief)
        assert judge([*FIELD, unread], BY_HEIGHT, TODAY).word == word


def test_a_few_heights_speak_for_no_more_plants_than_they_are() -> None:
    bare = [
        replace(FIELD[0], name=f"b{k}", height_mm=None, height_interval_mm=None) for k in range(50)
    ]
    alone, all_of_them = (
        judge(FIELD[:10], EITHER, TODAY),
        judge([*FIELD[:10], *bare], EITHER, TODAY),
    )
    # Exact of none in ten: 1 - 0.05^(1/10) is 25.9 in 100.
    assert "These 10 can't rule out that up to 26 in 100" in alone.sentence
    assert "The 10 with a height can't rule out that up to 26 in 100" in all_of_them.sentence
    assert alone.share_past is not None
    assert all_of_them.share_past is not None
    assert all_of_them.share_past[1] >= alone.share_past[1] - 1e-9
    # A tenth may be past: three of the ten that were measured are, whatever the others' leaves.
    share = replace(EITHER, share_past=0.1)
    tall = [replace(p, height_mm=560.0, height_interval_mm=(550.0, 570.0)) for p in FIELD[:3]]
    assert judge([*tall, *FIELD[3:10], *bare], share, TODAY).word == "past"


def test_a_few_heights_show_no_share_by_themselves() -> None:
    share = replace(EITHER, share_past=0.1)
    tall = replace(FIELD[0], name="tall", height_mm=560.0, height_interval_mm=(550.0, 570.0))
    bare = [
        replace(FIELD[0], name=f"b{k}", height_mm=None, height_interval_mm=None) for k in range(50)
    ]
    # One of three is past, one of the 53 that are known; a third of ten would be past a tenth.
    few = judge([tall, *FIELD[:2], *bare], share, TODAY)
    assert few.word == "can't tell"
    assert "3 plants of 53 have one: put the scale card beside the plants." in few.sentence
    assert judge([tall, tall, tall, *FIELD[:7], *bare], share, TODAY).word == "past"


def test_an_old_height_by_hand_counts_only_where_that_is_stricter() -> None:
    """A plant that was near the maximum is no farther from it for being old."""
    near = replace(TAPED, height_mm=17.7 * INCH)
    old = replace(near, taken_at=TODAY - timedelta(days=9))
    assert judge([*FIELD, near], EITHER, TODAY).word == "closing"
    assert judge([*FIELD, old], EITHER, TODAY).word == "closing"
    verdict = judge([*FIELD, replace(old, height_mm=8 * INCH)], EITHER, TODAY)
    assert verdict.word == "open"
    assert "Of 12 plants seen" in verdict.sentence


def test_each_half_of_a_heights_interval_has_its_own_doubt() -> None:
    tall = replace(FIELD[0], height_mm=450.0, height_interval_mm=(440.0, 684.0))
    limit = replace(BY_HEIGHT, highest=Bound(None, 685.8, "27 in"))
    # 95 in 100 lie under 684 mm, by what the interval means; of the 2 in 100 that stray as many.
    assert stand(tall, limit).past == pytest.approx(0.049, abs=0.001)
    even = replace(tall, height_interval_mm=(400.0, 500.0))
    assert stand(even, BY_HEIGHT).past == pytest.approx(0.0343, abs=0.001)  # 1.91 sigma, and strays
    # The other way round the doubt is no smaller than one sigma for both halves makes it.
    low = replace(tall, height_interval_mm=(350.0, 455.0))
    assert stand(low, replace(BY_HEIGHT, highest=Bound(None, 480.0))).past > 0.15
    least = Limit("P", "b", lowest=Bound(None, 480.0))
    assert stand(low, least).reached == pytest.approx(0.02 * 0.412, abs=1e-4)  # strays alone


def test_plants_without_a_height_are_held_against_the_most_collars_measured() -> None:
    tall = replace(FIELD[0], name="tall", height_mm=262.0, height_interval_mm=(250.0, 275.0))
    most = [replace(p, stage=5) for p in FIELD]
    bare = replace(FIELD[0], name="bare", stage=5, height_mm=None, height_interval_mm=None)
    assert judge([tall, *most, bare], BY_HEIGHT, TODAY).word == "open"
    # The tallest has no stage, and what its rejected photo was read as is none.
    for taped in (replace(TAPED, height_mm=270.0), replace(TAPED, height_mm=270.0, stage=9)):
        verdict = judge([taped, *FIELD, bare], BY_HEIGHT, TODAY)
        assert verdict.word == "can't tell"
        assert verdict.steps[0].endswith("by its collars: measure bare.")
    taped_only = [replace(TAPED, name=f"t{k}", height_mm=250.0) for k in range(12)]
    verdict = judge([*taped_only, bare], BY_HEIGHT, TODAY)
    assert verdict.word == "can't tell"
    assert "as no measured one's collars are known: measure bare." in verdict.sentence


# An earlier visit


def test_a_doubtful_height_of_an_earlier_visit_is_noted_and_makes_nothing_past() -> None:
    before = TODAY - timedelta(days=7)
    doubtful = replace(
        FIELD[0],
        name="old",
        height_mm=20.2 * INCH,
        height_interval_mm=(18.5 * INCH, 21.8 * INCH),
        height_basis="free-standing",
        taken_at=before,
    )
    then = [replace(p, taken_at=before) for p in FIELD]
    verdict = judge(FIELD, EITHER, TODAY, earlier=[(before, [doubtful, *then])])
    assert (verdict.word, verdict.then) == (judge(FIELD, EITHER, TODAY).word, None)
    (note,) = (one for one in verdict.reasons if "may have been past" in one)
    assert note.startswith(f"On {before} the field may have been past already: old by its height")
    assert note.endswith("Count that photo by hand, or measure its plant in the field.")
    # One told as a fact beside it: the doubtful one isn't told as well.
    for sure in (replace(TAPED, height_mm=21 * INCH), replace(doubtful, name="s", hand_count=7)):
        sure = replace(sure, taken_at=before)
        verdict = judge(FIELD, EITHER, TODAY, earlier=[(before, [doubtful, sure, *then])])
        assert (verdict.word, verdict.then) == ("past", before)
        assert verdict.deciding_plants == (sure.name,)
        assert "may be past" not in verdict.sentence
        # Both were told by a person, not by a photo that could be counted.
        (cure,) = (one for one in verdict.reasons if "makes it past" in one)
        assert f" of {sure.name} (" in cure
        assert "if that was a slip" in cure


@pytest.mark.parametrize(
    # Sigma is 20 / 1.645 mm: chances of 0.85 and 0.95 by any table of the normal, of which the
    # heights that stray take one in 100.
    ("over_mm", "word"),
    [(12.6, "open"), (20.0, "past")],
)
def test_an_earlier_visit_is_past_for_good_only_where_that_is_told_as_a_fact(
    over_mm: float, word: str
) -> None:
    before = TODAY - timedelta(days=7)
    mm = 20 * INCH + over_mm
    tall = replace(FIELD[0], name="tall", height_mm=mm, height_interval_mm=(mm - 20, mm + 20))
    then = [replace(plant, taken_at=before) for plant in (*FIELD, tall)]
    verdict = judge(FIELD, EITHER, TODAY, earlier=[(before, then)])
    assert verdict.word == word
    noted = any("tall by its height (84%)" in reason for reason in verdict.reasons)
    assert noted == (word == "open")
