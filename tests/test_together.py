"""Together: photos of one plant give one answer.

The pooling is held to what it must be whatever the numbers (order, agreement, one photo alone), and
to an outside rule: with no error in common it would be Bayes' product of independent evidence (S.
Geisser 1993, "Predictive Inference", from memory), which bounds what two photos may claim.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collarvision.answer import CollarMark, Reading, stage_name
from collarvision.jointheight import CONTRADICTING
from collarvision.record import Record
from collarvision.together import (
    ALIKE,
    ENOUGH,
    FAR_APART,
    SURE,
    joint_reading,
    joint_record,
    overruled,
    pool,
    put_together,
    same_picture,
)

BELIEF = st.lists(st.floats(0.002, 1.0), min_size=13, max_size=13)


def photo(
    name: str = "a.jpg",
    belief: dict[int, float] | None = None,
    *,
    confidence: float = 0.7,
    overruling: tuple[str, ...] = (),
    height: tuple[float, float, float] | None = None,
    outcome: str = "hand-count",
) -> Reading:
    belief = belief or {4: 0.75, 5: 0.25}
    probabilities = tuple(belief.get(k, 0.0) for k in range(13))
    reasons = () if outcome == "staged" else overruling or ("Could be either.",)
    return Reading(
        photo=name,
        outcome=outcome,  # type: ignore[arg-type]
        reasons=reasons,
        overruling=overruling,
        stage=int(np.argmax(probabilities)),
        stage_probabilities=probabilities,
        confidence=confidence,
        height_mm=None if height is None else height[1],
        height_interval_mm=None if height is None else (height[0], height[2]),
    )


def test_intervals_of_a_seedling_that_begin_at_the_soil_are_put_together() -> None:
    for low in (0.0, 2.0):
        plant = put_together(
            records(photo(height=(0.0, 12.0, 35.0)), photo("b.jpg", height=(low, 14.0, 40.0)))
        )
        assert plant.height_mm is not None
        assert plant.height_interval_mm is not None
        assert 12.0 <= plant.height_mm <= 14.0
        assert 0.0 < plant.height_interval_mm[0] < 12.0
        assert 14.0 < plant.height_interval_mm[1] <= 40.0


def rejected(name: str = "r.jpg") -> Reading:
    return Reading(photo=name, outcome="rejected", reasons=("The photo is too dark.",))


def records(*readings: Reading) -> list[dict]:
    return [reading.record() for reading in readings]


def test_a_photo_alone_says_what_it_said() -> None:
    one = photo(height=(90.0, 100.0, 120.0))
    plant = put_together(records(one))
    assert (plant.stage, plant.outcome, plant.confidence) == (4, "hand-count", 0.7)
    assert plant.reasons == ("Could be either.",)
    assert (plant.height_mm, plant.height_interval_mm) == (100.0, (90.0, 120.0))
    with pytest.raises(ValueError, match="needs a photo"):
        put_together([])


def test_two_photos_that_agree_are_surer_than_either() -> None:
    two = put_together(records(photo(), photo("b.jpg")))
    # Independent evidence would give 0.75**2 / (0.75**2 + 0.25**2): the two err alike in part.
    assert 0.75 < two.probabilities[4] < 0.9
    sure = photo(belief={4: 0.93, 5: 0.07}, confidence=0.9)
    both = put_together(records(sure, replace(sure, photo="b.jpg")))
    assert both.outcome == "staged"
    assert both.confidence is not None
    assert both.confidence >= ENOUGH > 0.9
    assert both.reasons == ()


def test_photos_settle_a_plant_from_the_confidence_that_is_enough() -> None:
    found = []
    for p in np.linspace(0.55, 0.99, 89):
        one = photo(belief={4: float(p), 5: 1 - float(p)})
        found.append(put_together(records(one, replace(one, photo="b.jpg"))))
    settled = [plant.confidence or 0.0 for plant in found if plant.outcome == "staged"]
    left = [plant.confidence or 0.0 for plant in found if plant.outcome == "hand-count"]
    assert max(left) < ENOUGH <= min(settled)
    assert min(settled) - max(left) < 0.02
    assert all(plant.reasons for plant in found if plant.outcome == "hand-count")


@pytest.mark.parametrize("photos", [2, 3, 5])
def test_n_photos_count_as_n_that_err_alike_in_part(photos: int) -> None:
    """As the mean of n measurements that err alike: n / (1 + (n - 1) rho), L. Kish 1965."""
    belief = np.array([0.75, 0.25] + [0.0] * 11)
    pooled = pool([belief] * photos)
    counts_as = photos / (1 + (photos - 1) * ALIKE)
    assert np.log(pooled[0] / pooled[1]) == pytest.approx(counts_as * np.log(3))
    # With no error in common, Bayes' product: 3 to the power of n.
    alone = pool([belief] * photos, alike=0.0)
    assert alone[0] / alone[1] == pytest.approx(3.0**photos)


def test_the_pooled_belief_becomes_a_confidence_by_the_two_fitted_numbers() -> None:
    """Scaling by two numbers: J. Platt 1999, from memory."""
    plant = put_together(records(photo(), photo("b.jpg")))
    p = plant.probabilities[4]
    odds = SURE[0] + SURE[1] * np.log(p / (1 - p))
    assert plant.confidence == pytest.approx(1 / (1 + np.exp(-odds)), abs=1e-3)


@pytest.mark.parametrize("apart", [FAR_APART - 1, FAR_APART])
def test_photos_are_far_apart_from_so_many_stages_on(apart: int) -> None:
    one, other = photo(belief={3: 0.9, 3 + apart: 0.1}), photo("b.jpg", {3 + apart: 0.6, 3: 0.4})
    plant = put_together(records(one, other))
    told = any("see that they show the same plant" in reason for reason in plant.reasons)
    assert told == (apart >= FAR_APART)


def test_photos_that_differ_leave_the_plant_to_a_person() -> None:
    plant = put_together(records(photo(belief={4: 0.95, 5: 0.05}), photo(belief={4: 0.1, 5: 0.9})))
    assert plant.outcome == "hand-count"
    assert plant.reasons == ("2 photos together leave V4 or V5: count the collars by hand.",)


def test_photos_that_are_far_apart_may_be_of_two_plants() -> None:
    plant = put_together(records(photo(belief={3: 1.0}), photo("b.jpg", belief={7: 1.0})))
    assert plant.outcome == "hand-count"
    assert plant.reasons[0] == "The photos read V3 and V7: see that they show the same plant."


def test_what_one_photo_shows_clearly_outdoes_what_overrules_the_other() -> None:
    pressed = "The two top collars stand close together."
    belief = {5: 0.99, 6: 0.01}
    bad = photo("bad.jpg", belief, confidence=0.97, overruling=(pressed,))
    good = photo("good.jpg", belief, confidence=0.97, outcome="staged")
    plant = joint_reading([bad, good])
    assert (plant.outcome, plant.photo, plant.overruling) == ("staged", "good.jpg", ())
    neither = joint_reading([bad, replace(bad, photo="b.jpg")])
    assert (neither.outcome, neither.reasons, neither.overruling) == (
        "hand-count",
        (pressed,),
        (pressed,),
    )


def test_records_of_earlier_versions_hold_nothing_only_where_they_are_staged() -> None:
    old = photo().record()
    del old["overruling"]
    assert overruled(old)
    assert not overruled(old | {"outcome": "staged"})
    assert not overruled(photo().record())


def test_a_height_from_the_other_photo_brings_its_rule_along() -> None:
    bare = photo("a.jpg", confidence=0.9)
    tall = replace(
        photo("b.jpg", height=(90.0, 100.0, 120.0)), height_basis="arch", height_rule="half-out"
    )
    plant = joint_reading([bare, tall])
    assert (plant.photo, plant.height_basis, plant.height_rule) == ("a.jpg", "arch", "half-out")
    assert joint_record(records(bare, tall))["height_basis"] == "arch"


@pytest.mark.parametrize("free_standing_first", [True, False])
@pytest.mark.parametrize("narrow", [95.0, 99.0])
def test_a_height_in_doubt_stays_in_doubt_whichever_photo_leads(
    free_standing_first: bool, narrow: float
) -> None:
    arch = photo("a.jpg", confidence=0.9, height=(90.0, 100.0, 112.0))
    free = photo("b.jpg", confidence=0.8, height=(narrow, 104.0, 108.0))
    shown = [
        replace(arch, height_basis="arch", height_rule="half-out"),
        replace(free, height_basis="free-standing", height_rule="half-out"),
    ]
    plant = joint_reading(shown[::-1] if free_standing_first else shown)
    assert plant.photo == "a.jpg"
    assert (plant.height_basis, plant.height_in_doubt) == ("free-standing", True)
    record = joint_record(records(*shown))
    assert record["height_basis"] == "free-standing"


def test_a_height_takes_the_basis_of_the_photo_that_counts_most() -> None:
    wide = replace(photo("a.jpg", confidence=0.9, height=(80.0, 100.0, 130.0)), height_basis="arch")
    narrow = replace(photo("b.jpg", height=(98.0, 101.0, 103.0)), height_basis="along-stalk")
    plant = joint_reading([wide, narrow])
    assert (plant.photo, plant.height_basis, plant.height_in_doubt) == (
        "a.jpg",
        "along-stalk",
        False,
    )


def test_only_a_photo_of_the_stage_clears_what_overrules_another() -> None:
    pointed = "The lowest leaf found is pointed, and leaf 1 is round."
    vague = photo("a.jpg", {4: 0.42, 5: 0.36, 6: 0.12, 3: 0.06, 7: 0.02}, confidence=0.38)
    bad = photo("b.jpg", {5: 0.97, 6: 0.029}, confidence=0.97, overruling=(pointed,))
    for plant in (joint_reading([vague, bad]), joint_reading([bad, vague])):
        assert (plant.stage, plant.outcome) == (5, "hand-count")
        assert plant.reasons == plant.overruling == (pointed,)
    # One that reads the stage itself clears it, however vague it is.
    clear = photo("c.jpg", {5: 0.42, 4: 0.36, 6: 0.22}, confidence=0.38)
    assert put_together(records(vague, bad, clear)).overruling == ()


def test_reasons_are_those_of_the_overruled_photos_alone() -> None:
    pointed = "The lowest leaf found is pointed, and leaf 1 is round."
    vague = photo("a.jpg", {4: 0.5, 5: 0.45}, confidence=0.4)
    bad = photo("b.jpg", {5: 0.6, 4: 0.35}, confidence=0.5, overruling=(pointed,))
    plant = put_together(records(vague, bad))
    assert plant.reasons == (
        pointed,
        "2 photos together leave V4 or V5: count the collars by hand.",
    )
    assert plant.overruling == (pointed,)


def test_no_plant_is_staged_at_a_stage_that_no_photo_reads() -> None:
    plant = put_together(
        records(
            photo("a.jpg", {4: 0.55, 5: 0.445, 3: 0.003}, confidence=0.5),
            photo("b.jpg", {6: 0.55, 5: 0.445, 7: 0.003}, confidence=0.5),
        )
    )
    assert (plant.stage, plant.outcome) == (5, "hand-count")
    assert plant.confidence is not None
    assert plant.confidence > ENOUGH
    assert plant.reasons == (
        "The photos read V4 and V6; none reads V5, the likeliest from all of them: count the "
        "collars by hand.",
    )


def test_photos_do_not_outvote_one_that_is_sure_of_another_stage() -> None:
    sure = photo("a.jpg", {4: 0.95, 5: 0.05}, confidence=0.95, outcome="staged")
    others = [photo(f"{k}.jpg", {5: 0.97, 4: 0.03}, confidence=0.9) for k in range(3)]
    plant = put_together(records(sure, *others))
    assert (plant.stage, plant.outcome) == (5, "hand-count")
    assert plant.confidence is not None
    assert plant.confidence > ENOUGH
    assert plant.reasons == (
        "One photo alone is sure of V4, and all together say V5: see that they show the same "
        "plant.",
    )
    unsure = replace(sure, outcome="hand-count", reasons=("The photo is dark.",))
    assert put_together(records(unsure, *others)).outcome == "staged"


def test_the_same_picture_twice_is_one_witness() -> None:
    one = replace(photo("a.jpg", {4: 0.85, 5: 0.14}, confidence=0.8), sha256="1" * 64)
    again = replace(one, photo="copy.jpg")
    plant = joint_reading([one, again])
    assert (plant.outcome, plant.stage, plant.confidence) == ("hand-count", 4, 0.8)
    assert plant.reasons == one.reasons
    assert plant.evidence == ("copy.jpg is the same picture as a.jpg: it counts once.",)
    assert [told["photo"] for told in plant.photos] == ["a.jpg", "copy.jpg"]
    other = replace(one, photo="b.jpg", sha256="2" * 64)
    both, more = joint_reading([one, other]), joint_reading([one, again, other, again])
    assert (both.outcome, more.outcome) == ("staged", "staged")
    assert more.stage_probabilities == both.stage_probabilities
    assert more.evidence[:2] == (
        "2 photos of this plant: a.jpg V4, b.jpg V4.",
        "copy.jpg is the same picture as a.jpg: it counts once.",
    )


def test_a_repeat_is_no_second_height_either() -> None:
    one = replace(photo("a.jpg", height=(90.0, 100.0, 120.0)), sha256="1" * 64)
    other = replace(photo("b.jpg", height=(95.0, 110.0, 125.0)), sha256="2" * 64)
    both = put_together(records(one, other))
    assert put_together(records(one, one, one, other)).height_mm == both.height_mm


def test_heights_that_contradict_each_other_leave_the_plant_to_a_person() -> None:
    one = photo("a.jpg", {4: 0.99}, confidence=0.98, outcome="staged", height=(190.0, 200.0, 210.0))
    other = photo("b.jpg", {4: 0.99}, confidence=0.98, outcome="staged", height=(390.0, 400, 410.0))
    plant = joint_reading([one, other])
    assert plant.outcome == "hand-count"
    assert plant.reasons == plant.overruling == (CONTRADICTING,)
    assert (plant.height_mm, plant.height_interval_mm) == (400.0, (190.0, 410.0))
    alike = replace(other, height_mm=220.0, height_interval_mm=(212.0, 228.0))
    assert joint_reading([one, alike]).outcome == "staged"


def test_stages_that_this_version_does_not_know_are_passed_over() -> None:
    strange = photo().record()
    strange["stage_probabilities"] = {"V4": 0.7, "V5": 0.2, "V31": 0.1}
    plant = put_together([strange, photo("b.jpg").record()])
    assert plant.stage == 4
    assert sum(plant.probabilities) == pytest.approx(1.0)


def test_rejected_photos_say_nothing() -> None:
    one = photo(outcome="staged", confidence=0.97)
    plant = joint_reading([rejected(), one])
    assert (plant.outcome, plant.stage, plant.confidence) == ("staged", 4, 0.97)
    assert [told["photo"] for told in plant.photos] == ["r.jpg", "a.jpg"]
    nothing = joint_reading([rejected(), rejected("s.jpg")])
    assert (nothing.outcome, nothing.stage) == ("rejected", None)


@given(first=BELIEF, second=BELIEF)
def test_the_order_of_photos_does_not_matter(first: list[float], second: list[float]) -> None:
    beliefs = [np.array(one) / sum(one) for one in (first, second)]
    shown = [
        photo(f"{k}.jpg", dict(enumerate(one.tolist())), confidence=0.5 + k / 10)
        for k, one in enumerate(beliefs)
    ]
    one, other = put_together(records(*shown)), put_together(records(*shown[::-1]))
    assert one.probabilities == pytest.approx(other.probabilities)
    assert sum(one.probabilities) == pytest.approx(1.0)
    assert (one.outcome, one.confidence) == (other.outcome, pytest.approx(other.confidence))


@given(
    heights=st.lists(
        st.tuples(st.floats(20, 2500), st.floats(0.01, 0.6), st.floats(0.01, 0.6)),
        min_size=1,
        max_size=4,
    )
)
def test_a_height_lies_among_the_photos_and_its_interval_holds_them(
    heights: list[tuple[float, float, float]],
) -> None:
    told = [(h * (1 - low), h, h * (1 + high)) for h, low, high in heights]
    shown = [photo(f"{k}.jpg", height=one) for k, one in enumerate(told)]
    plant = put_together(records(*shown))
    assert plant.height_mm is not None
    assert plant.height_interval_mm is not None
    middles = [h for _, h, _ in told]
    # Records give tenths of a millimetre.
    assert min(middles) - 0.1 <= plant.height_mm <= max(middles) + 0.1
    low, high = plant.height_interval_mm
    assert low <= min(middles) + 0.1
    assert max(middles) - 0.1 <= high


def test_the_plants_record_is_a_record() -> None:
    readings = [photo(height=(90.0, 100.0, 120.0)), photo("b.jpg"), rejected()]
    by_reading = joint_reading(readings).record()
    assert by_reading == joint_record(records(*readings)) | {"version": by_reading["version"]}
    record = Record.model_validate_json(json.dumps(by_reading, allow_nan=False))
    assert record.photos is not None
    assert [one.photo for one in record.photos] == ["a.jpg", "b.jpg", "r.jpg"]
    assert record.evidence[0] == f"2 photos of this plant: a.jpg {stage_name(4)}, b.jpg V4."


def test_a_picture_with_other_notes_in_its_file_is_the_same_picture() -> None:
    mark = CollarMark(1, 10.0, 20.0, 0.9)
    one = replace(photo(belief={4: 0.88, 5: 0.12}), sha256="1" * 64, collars=(mark,))
    tagged = replace(one, photo="b.jpg", sha256="2" * 64, gps=(41.0, -93.0))
    moved = replace(tagged, collars=(replace(mark, x=10.1),))
    assert same_picture(*records(one, tagged))
    assert not same_picture(*records(one, moved))
    alone = put_together(records(one))
    assert put_together(records(one, tagged)).confidence == alone.confidence
    # A copy that was encoded anew may be read otherwise: what one of the two leaves open stays so.
    sure = replace(tagged, outcome="staged", reasons=(), confidence=0.96)
    unsure = replace(one, outcome="hand-count", reasons=("Unsure.",), confidence=0.6)
    for pair in ((sure, unsure), (unsure, sure)):
        told = put_together(records(*pair))
        assert (told.outcome, told.confidence, told.reasons) == ("hand-count", 0.6, ("Unsure.",))
    # Where the pixels are known, they decide.
    pixels = [{**record, "pixels_sha256": str(k)} for k, record in enumerate(records(one, tagged))]
    assert not same_picture(*pixels)
    assert same_picture(pixels[0], {**pixels[1], "pixels_sha256": "0", "collars": []})
