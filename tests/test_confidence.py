"""Confidence: what is safe alone, what a person counts, and what is no plant.

Sources: expected calibration error (Naeini et al. 2015; Guo et al. 2017, arXiv 1706.04599) is
checked where the calibration is fitted (`tests/training/test_calibrate.py`). Splitting the stalk
to count from the nodes: Purdue Extension.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from drawn_plants import USABLE, draw, with_collar, without_collar
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from collarvision.answer import Reading
from collarvision.calibration import Calibration, as_json, load_calibration
from collarvision.confidence import (
    HIDDEN,
    LEAFLESS_AT_MOST,
    LOST_UNSEEN,
    LOST_UNSURE,
    NO_FOOT,
    POINTED_LOWEST,
    REFUSE_AT,
    ROUND_UNSEEN,
    SENTENCES,
    UNCOUNTED,
    Verdict,
    confidence_of,
    judge,
    look_closer_at,
)
from collarvision.network import ModelError
from collarvision.parts import CollarPeak
from collarvision.plant import assemble
from collarvision.reading import understand, with_plant
from collarvision.stage import believe

GUESSES = replace(Calibration(), threshold=0.88)


@dataclass(frozen=True)
class Finding:
    code: str
    sentence: str
    severity: str


def judged(parts, findings=(), calibration=GUESSES):
    plant = assemble(parts)
    return judge(parts, plant, believe(plant, parts, calibration), findings, calibration)


def usability(**troubles):
    p = {**USABLE, **troubles}
    total = sum(p.values())
    return {name: value / total for name, value in p.items()}


@pytest.mark.parametrize("stage", [1, 3, 5, 8])
def test_a_clear_plant_is_staged_without_reasons(stage):
    verdict = judged(draw(stage).parts)
    assert verdict.outcome == "staged"
    assert verdict.reasons == ()
    assert verdict.confidence >= GUESSES.threshold


@pytest.mark.parametrize("trouble", ["no_plant", "several", "not_maize"])
def test_nothing_to_count_is_rejected(trouble):
    parts = replace(draw(4).parts, usability=usability(**{trouble: 9.0}))
    verdict = judged(parts)
    assert verdict.outcome == "rejected"
    assert verdict.reasons == (SENTENCES[trouble],)
    assert verdict.confidence <= 0.05


@pytest.mark.parametrize("trouble", ["cut_off", "blurred", "dark"])
def test_a_spoilt_photo_is_never_staged_however_sure_the_count(trouble):
    parts = replace(draw(4).parts, usability=usability(**{trouble: 2.0}))
    verdict = judged(parts)
    assert verdict.outcome in ("hand-count", "rejected")
    assert SENTENCES[trouble] in verdict.reasons


@settings(max_examples=25, deadline=None)
@given(
    st.dictionaries(st.sampled_from(sorted(set(USABLE) - {"ok"})), st.floats(0.1, 5), min_size=1)
)
def test_under_the_usable_floor_nothing_is_staged(troubles):
    parts = replace(DRAWN.parts, usability=usability(**troubles))
    assume(parts.usability["ok"] < GUESSES.usable_floor)
    verdict = judged(parts)
    assert verdict.outcome != "staged"
    assert verdict.reasons


DRAWN = draw(4)


def test_no_leaves_is_no_plant_where_the_network_doubts_one():
    parts = replace(draw(4).parts, tips=(), collars=())
    doubted = parts.usability | {"ok": 0.4, "no_plant": 0.5}
    assert judged(replace(parts, usability=doubted)).outcome == "rejected"


def test_a_plant_whose_leaves_are_too_small_goes_to_a_person():
    parts = replace(draw(4).parts, tips=(), collars=())
    seen = parts.usability | {"ok": 0.99, "no_plant": 0.01}
    verdict = judged(replace(parts, usability=seen))
    assert verdict.outcome == "hand-count"
    assert "come closer" in verdict.reasons[0]


def test_a_picture_without_a_plant_is_no_seedling():
    """Of a white page the network says "cut off", as well as "fine"."""
    seedling = replace(draw(0).parts, tips=(), collars=())
    empty = replace(seedling, classes=np.zeros_like(seedling.classes), base=None)
    for seen in (USABLE, usability(ok=0.35, cut_off=0.56), usability(ok=0.14, blurred=0.8)):
        assert judged(replace(seedling, usability=seen)).reasons != (SENTENCES["no_plant"],)
        assert judged(replace(empty, usability=seen)).outcome == "rejected"
    verdict = judged(empty)
    assert (verdict.reasons, verdict.confidence) == ((SENTENCES["no_plant"],), 0.05)
    for some in (replace(empty, classes=seedling.classes), replace(empty, base=seedling.base)):
        assert judged(some).outcome == "hand-count"


@pytest.mark.parametrize("stage", [0, 1, 4])
def test_a_plant_whose_foot_is_not_found_is_never_staged(stage):
    drawn = draw(stage)
    assert NO_FOOT not in sure_of(drawn).reasons
    verdict = sure_of(replace(drawn, parts=replace(drawn.parts, base=None)))
    assert (verdict.outcome, NO_FOOT in verdict.overruling) == ("hand-count", True)


def test_the_threshold_itself_is_sure_enough():
    parts = draw(4).parts
    sure = judged(parts).confidence
    for threshold, outcome in ((sure, "staged"), (np.nextafter(sure, 1.0), "hand-count")):
        assert judged(parts, (), replace(GUESSES, threshold=threshold)).outcome == outcome


def test_a_plant_without_leaves_is_never_surer_than_such_plants_are():
    assert LEAFLESS_AT_MOST <= 59 / 67  # of own photos so many were right
    sure = replace(GUESSES, sure=(5.0, 1.0))
    parts = replace(draw(0).parts, tips=(), collars=())
    for ok, trouble in ((0.99, "no_plant"), (0.4, "blurred")):
        seen = dict.fromkeys(parts.usability, 0.0) | {"ok": ok, trouble: 1 - ok}
        assert judged(replace(parts, usability=seen), (), sure).confidence == LEAFLESS_AT_MOST
    assert judged(draw(4).parts, (), sure).confidence > LEAFLESS_AT_MOST


@pytest.mark.parametrize("trouble", ["blurred", "cut_off", "several", "dark"])
def test_a_trouble_as_likely_as_not_overrules_however_sure_the_stage(trouble):
    """A coin's toss that the photo is spoilt is no photo to go by; usable enough otherwise."""
    calibration = replace(GUESSES, threshold=0.0, usable_floor=0.0)
    parts = draw(4).parts
    for p, stopped in ((REFUSE_AT - 0.01, False), (REFUSE_AT, True), (0.6, True)):
        seen = dict.fromkeys(parts.usability, 0.0) | {"ok": 1 - p, trouble: p}
        verdict = judged(replace(parts, usability=seen), (), calibration)
        assert (verdict.outcome != "staged") == stopped
        assert verdict.overruling == ((SENTENCES[trouble],) if stopped else ())


def test_a_blurred_plant_without_leaves_is_no_bare_board():
    """What spoils the photo is said, not that there is no plant: nobody looks for a better one."""
    parts = replace(draw(1).parts, tips=(), collars=())
    blurred = replace(parts, usability=usability(ok=0.15, blurred=0.8))
    verdict = judged(blurred)
    assert verdict.outcome == "rejected"  # a guess at its stage would mislead
    assert verdict.reasons == (SENTENCES["blurred"],)
    small = Finding("plant_small", "Too few pixels: go closer.", "warning")
    seedling = judged(blurred, [small])
    assert seedling.outcome == "hand-count"
    assert seedling.reasons == ("Too few pixels: go closer.",)


def test_an_unclear_top_collar_goes_to_a_person_with_the_place_to_look():
    drawn = draw(4, whorl=2)
    tips = tuple(replace(t, collared=0.72) if round(t.rank) == 5 else t for t in drawn.parts.tips)
    verdict = judged(replace(drawn.parts, tips=tips))
    assert verdict.outcome == "hand-count"
    assert any("leaf 5" in reason for reason in verdict.reasons)


def test_a_leaf_further_up_cannot_clear_before_the_next_one():
    drawn = draw(4, whorl=2)
    tips = tuple(replace(t, collared=0.72) if round(t.rank) == 6 else t for t in drawn.parts.tips)
    verdict = judged(replace(drawn.parts, tips=tips))
    assert not any("may just be clearing" in reason for reason in verdict.reasons)
    assert verdict.outcome == "staged"


def test_too_few_pixels_are_not_called_blur():
    drawn = draw(4)
    parts = replace(drawn.parts, usability=usability(blurred=20.0))
    doubtful = replace(GUESSES, sure=(-6.0, 0.5))
    few = Finding("plant_small", "Too few pixels: go closer.", "warning")
    assert judged(parts, calibration=doubtful).outcome == "rejected"
    verdict = judged(parts, [few], doubtful)
    assert verdict.outcome == "hand-count"
    assert verdict.reasons[0] == "Too few pixels: go closer."


def test_a_twin_that_leaves_doubt_says_where_to_look():
    drawn = draw(4)
    top = drawn.parts.collars[3]
    twin = CollarPeak(top.x + 6.0, top.y - 9.0, 0.8, top.rank + 0.1)
    strict = replace(GUESSES, threshold=0.999)
    verdict = judged(with_collar(drawn, twin).parts, calibration=strict)
    assert verdict.outcome == "hand-count"
    assert any(f"close together at collar {n}" in r for r in verdict.reasons for n in (4, 5))


def test_doubt_about_lost_leaves_says_to_split_the_stalk():
    drawn = draw(6, lost=1)
    parts = replace(drawn.parts, lost_leaves=np.array([0.4, 0.4, 0.15, 0.05]), first_leaf=0.5)
    tips = tuple(replace(t, rounded=0.5, rank=t.rank - 0.5) for t in parts.tips)
    collars = tuple(replace(c, rank=c.rank - 0.5) for c in parts.collars)
    verdict = judged(replace(parts, tips=tips, collars=collars))
    assert verdict.outcome == "hand-count"
    assert any("split the stalk" in reason for reason in verdict.reasons)


def test_a_pointed_leaf_1_is_never_staged_however_sure_the_count():
    """Only the first true leaf is rounded (R.L. Nielsen, Purdue University, May 2019)."""
    calibration = replace(Calibration(), threshold=0.0, usable_floor=0.0)
    plant = assemble(draw(4).parts)
    belief = believe(plant, draw(4).parts, calibration)
    sure = judge(draw(4).parts, plant, belief, (), calibration)
    assert sure.outcome == "staged"
    pointed = replace(plant.leaves[0], rounded=0.05, shape="pointed")
    doubtful = replace(plant, leaves=(pointed, *plant.leaves[1:]))
    verdict = judge(draw(4).parts, doubtful, belief, (), calibration)
    assert verdict.outcome == "hand-count"
    assert POINTED_LOWEST in verdict.reasons


@pytest.mark.parametrize(
    ("rounded", "stopped"), [(0.36, True), (0.69, True), (0.71, False), (None, True)]
)
def test_a_lowest_leaf_that_isnt_seen_to_be_round_is_not_counted_on(rounded, stopped):
    """Soil over leaf 1, or a tip out of sight: the lowest one found may as well be leaf 2."""
    drawn = draw(4)
    first, *others = assemble(drawn.parts).leaves
    first = replace(first, tip=None) if rounded is None else replace(first, rounded=rounded)
    verdict = sure_of(drawn, leaves=(first, *others))
    assert (verdict.outcome == "hand-count") == stopped
    assert (ROUND_UNSEEN in verdict.overruling) == stopped
    if not stopped:  # a tip too faint to be listed isn't seen
        faint = replace(first, tip=replace(first.tip, score=0.29))
        assert ROUND_UNSEEN in sure_of(drawn, leaves=(faint, *others)).overruling
    assert "n't surely" in ROUND_UNSEEN  # from 0.5 on its tip is drawn as round


@pytest.mark.parametrize(("collars", "stopped"), [(0, False), (1, False), (2, True), (4, True)])
def test_few_pixels_stop_no_seedling(collars, stopped):
    """A plant that is just out is small in any photo; from V2 on collars would be missed."""
    few = Finding("plant_small", "Too few pixels: go closer.", "stop")
    drawn = draw(collars, whorl=2)
    plant = assemble(drawn.parts)
    calibration = replace(Calibration(), threshold=0.0, usable_floor=0.0)
    belief = believe(plant, drawn.parts, calibration)
    assert belief.stage == collars
    verdict = judge(drawn.parts, plant, belief, (few,), calibration)
    assert (verdict.outcome == "hand-count") == stopped
    assert (few.sentence in verdict.reasons) == stopped


def test_a_seedling_without_collars_is_not_stopped_by_a_pointed_leaf():
    calibration = replace(Calibration(), threshold=0.0, usable_floor=0.0)
    parts = draw(0, whorl=2).parts
    plant = assemble(parts)
    belief = believe(plant, parts, calibration)
    pointed = replace(plant.leaves[0], rounded=0.05, shape="pointed")
    doubtful = replace(plant, leaves=(pointed, *plant.leaves[1:]))
    assert belief.stage == 0
    assert POINTED_LOWEST not in judge(parts, doubtful, belief, (), calibration).reasons


def test_a_hidden_collar_is_named():
    verdict = judged(
        without_collar(draw(6), 2).parts, calibration=replace(GUESSES, threshold=0.999)
    )
    assert any("behind a blade" in reason for reason in verdict.reasons)


def sure_of(drawn, **changes):
    """The verdict on a plant whose stage is sure enough whatever else there is."""
    calibration = replace(Calibration(), threshold=0.0, usable_floor=0.0)
    plant = replace(assemble(drawn.parts), **changes)
    belief = believe(plant, drawn.parts, calibration)
    return judge(drawn.parts, plant, belief, (), calibration)


def test_a_hidden_collar_that_counts_goes_to_a_person_however_sure_the_stage():
    assert sure_of(draw(6)).outcome == "staged"
    verdict = sure_of(without_collar(draw(6), 4))
    assert verdict.outcome == "hand-count"
    assert verdict.overruling == (HIDDEN,)


@pytest.mark.parametrize(("kept", "stopped"), [(0.7, True), (0.8, False)])
def test_doubt_about_lost_leaves_goes_to_a_person_however_sure_the_stage(kept, stopped):
    verdict = sure_of(draw(6), lost=np.array([kept, 1 - kept, 0.0, 0.0]))
    assert (LOST_UNSURE in verdict.overruling) == stopped
    assert (verdict.outcome == "hand-count") == stopped


def test_a_finding_that_stops_is_a_reason_and_a_note_is_not():
    stop = Finding("tilt", "Hold the phone upright.", "stop")
    note = Finding("no-card", "No card, so no height.", "note")
    verdict = judged(draw(4).parts, [note, stop])
    assert verdict.outcome == "hand-count"
    assert verdict.reasons == ("Hold the phone upright.",)
    assert judged(draw(4).parts, [note]).outcome == "staged"


def test_a_measured_trouble_is_said_once():
    parts = replace(draw(4).parts, usability=usability(blurred=2.0))
    measured = Finding("blurred", "The plant is not sharp: take it again.", "stop")
    verdict = judged(parts, [measured])
    assert verdict.reasons[0] == measured.sentence
    assert SENTENCES["blurred"] not in verdict.reasons


def test_agreement_makes_sure_and_disagreement_unsure():
    drawn = draw(5)
    other = np.full(13, 0.01)
    other[7] = 0.88
    unsure = judged(replace(drawn.parts, collar_counts=other))
    assert unsure.confidence < judged(drawn.parts).confidence
    assert unsure.outcome == "hand-count"


@given(st.floats(-5, 5), st.floats(0.1, 3))
def test_confidence_is_logistic_in_the_log_odds_of_the_belief(intercept, slope):
    """Scaling by two numbers: J. Platt 1999, cited from memory."""
    calibration = replace(GUESSES, sure=(intercept, slope), careful_sure=(0.0, 1.0))
    belief = believe(assemble(DRAWN.parts), DRAWN.parts, GUESSES)
    p = belief.probabilities[belief.stage]
    odds = np.log(p / (1 - p))
    expected = 1 / (1 + np.exp(-(intercept + slope * odds)))
    assert confidence_of(belief, calibration) == pytest.approx(expected, rel=1e-6)
    assert confidence_of(belief, calibration, careful=True) == pytest.approx(p, rel=1e-6)


def test_a_closer_look_is_taken_only_where_it_may_help():
    calibration = replace(GUESSES, threshold=0.9, closer_from=0.3)

    def wanted(confidence, outcome="hand-count"):
        return look_closer_at(Verdict(confidence, outcome, ()), calibration)

    assert wanted(0.6)
    assert wanted(0.3)
    # A sure stage too: a collar that has just cleared may have melted with the one below.
    assert wanted(0.95, "staged")
    assert not wanted(0.1)
    assert not wanted(0.6, "rejected")
    assert not look_closer_at(Verdict(0.6, "hand-count", ()), replace(calibration, closer_from=1.0))


def test_a_calibration_survives_its_file(tmp_path):
    path = tmp_path / "calibration.json"
    wanted = replace(GUESSES, threshold=0.83, sure=(0.2, 1.1), closer_from=0.4)
    path.write_text(as_json(wanted, {"photos": 12, "model": "net"}))
    found = load_calibration(path)
    assert found == replace(wanted, fitted=True, model="net", id=found.id)
    # The survey's name for it: version, and the SHA-256 of the file.
    assert found.id == f"2-{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"


def test_without_a_file_the_guesses_serve(tmp_path):
    assert load_calibration(tmp_path / "none.json") == Calibration()
    assert not GUESSES.fitted


@pytest.mark.parametrize("text", ["", "{}", '{"version": 2}', "[]"])
def test_a_broken_file_is_one_sentence(tmp_path, text):
    path = tmp_path / "calibration.json"
    path.write_text(text)
    with pytest.raises(ModelError, match="Install the package again"):
        load_calibration(path)


def test_a_whole_file_of_another_version_is_refused(tmp_path):
    """Its numbers may mean something else; the survey would call it by this version's name."""
    path = tmp_path / "calibration.json"
    whole = json.loads(as_json(GUESSES, {}))
    path.write_text(json.dumps(whole | {"version": 99}))
    with pytest.raises(ModelError, match="or of another version"):
        load_calibration(path)


def test_a_lost_leaf_asks_for_a_person_unless_the_lowest_is_seen_to_be_pointed():
    """Only the first true leaf is rounded (R.L. Nielsen, Purdue University, May 2019)."""
    drawn = draw(6, lost=1)
    assert sure_of(drawn).outcome == "staged"
    leaves = assemble(drawn.parts).leaves
    for lowest in (replace(leaves[0], rounded=0.5), replace(leaves[0], tip=None)):
        verdict = sure_of(drawn, leaves=(lowest, *leaves[1:]))
        assert verdict.outcome == "hand-count"
        assert LOST_UNSEEN in verdict.overruling


def test_a_stage_that_the_marked_collars_do_not_show_asks_for_a_person():
    calibration = replace(Calibration(), threshold=0.0, usable_floor=0.0)
    parts = draw(5).parts
    plant = assemble(parts)
    belief = believe(plant, parts, calibration)
    for stage, stopped in ((5, False), (6, True), (4, True)):
        verdict = judge(parts, plant, replace(belief, stage=stage), (), calibration)
        said = f"The collars found add up to V5, not V{stage}: count them by hand."
        assert (said in verdict.overruling) == stopped
        assert (verdict.outcome == "hand-count") == stopped


def test_suspected_blur_of_few_pixels_is_called_few_pixels():
    parts = replace(draw(4).parts, usability=usability(blurred=0.4))
    few = Finding("plant_small", "Too few pixels: go closer.", "warning")
    verdict = judged(parts, [few], replace(GUESSES, threshold=0.999, usable_floor=0.0))
    assert "Too few pixels: go closer." in verdict.reasons
    assert SENTENCES["blurred"] not in verdict.reasons


def test_a_collar_that_the_stage_does_not_count_asks_for_a_person():
    parts = draw(5).parts
    plant = assemble(parts)
    belief = believe(plant, parts, GUESSES)
    ranks = (*belief.numbers.ranks[:4], None, *belief.numbers.ranks[5:])
    numbers = replace(belief.numbers, ranks=ranks)
    fewer = replace(belief, stage=4, numbers=numbers, counted=(*[True] * 4, *[False] * 3))
    verdict = judge(parts, plant, fewer, (), replace(Calibration(), threshold=0.0))
    assert UNCOUNTED in verdict.overruling
    assert not any("add up to" in reason for reason in verdict.reasons)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_what_is_said_and_what_is_marked_agree(data):
    """A scout compares the reasons, the evidence and the marks: they are of one mind or none."""
    number = lambda least, most: data.draw(st.floats(least, most))  # noqa: E731
    stage = data.draw(st.integers(1, 8))
    drawn = draw(stage, lost=data.draw(st.integers(0, min(2, stage - 1))), noise=number(0, 1.5))
    foot = drawn.parts.base
    specks = [
        CollarPeak(foot.x + number(-9, 9), foot.y - number(6, 60), number(0.16, 0.6), number(1, 4))
        for _ in range(data.draw(st.integers(0, 2)))
    ]
    for speck in specks:
        drawn = with_collar(drawn, speck)
    tips = tuple(replace(tip, rounded=number(0.02, 0.98)) for tip in drawn.parts.tips)
    lost_leaves = np.array([number(0.02, 1.0) for _ in range(4)])
    parts = replace(
        drawn.parts,
        tips=tips,
        first_leaf=number(0.02, 0.98),
        lost_leaves=lost_leaves / lost_leaves.sum(),
    )
    got = understand(assemble(parts), parts, (), GUESSES)
    reading = with_plant(Reading("x.jpg", got.verdict.outcome), got, None, None)
    said = " ".join(reading.evidence)
    lost = reading.lower_leaves_missing
    assert not ("so leaf 1 is lost" in said and LOST_UNSEEN in got.verdict.reasons)
    assert not ("so it is leaf 1" in said and POINTED_LOWEST in got.verdict.reasons)
    assert ("taken as lost" in said) == (lost > 0)
    seen = len(reading.collars)
    assert f"{seen or 'No'} collar{'' if seen == 1 else 's'} seen." in reading.evidence
    hidden = sum(
        leaf.kind == "hidden" and counted
        for leaf, counted in zip(got.plant.leaves, got.belief.counted, strict=True)
    )
    short = any("add up to" in reason for reason in got.verdict.reasons)
    assert short == (seen + hidden + lost != reading.stage)
