"""Limit words: an earlier visit that makes a field past, and what to do if it was wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limits import judge
from collarvision.limitsfile import Bound, Limit
from collarvision.units import Shown

TODAY = date(2026, 11, 28)
BEFORE = TODAY - timedelta(days=7)
LIMIT = Limit("Product A", "broadcast", "collars", highest=Bound(6, 508.0, "20 in"))
NOW = [PlantEvidence(f"n{k}", hand_count=4, height_mm=250.0, taken_at=TODAY) for k in range(12)]
COUNTED = PlantEvidence("owl-1-s2-p3", hand_count=8, taken_at=BEFORE)
NODES = replace(COUNTED, one_more=0.2)
TAPED = PlantEvidence("tall", outcome="rejected", height_mm=838.0, taken_at=BEFORE)
READ = PlantEvidence("read", stage=9, confidence=0.99, taken_at=BEFORE)


def cure(*then: PlantEvidence, shown: Shown | None = None) -> str:
    verdict = judge(NOW, LIMIT, TODAY, earlier=[(BEFORE, then)], shown=shown)
    assert (verdict.word, verdict.then) == ("past", BEFORE)
    (said,) = (one for one in verdict.reasons if "makes it past" in one)
    assert "put them under a field name of their own." in said
    return said


@pytest.mark.parametrize(
    ("then", "said"),
    [
        ([READ], "makes it past. If its photos were read wrongly, count them by hand. If the"),
        (
            [NODES],
            "The visit of 2026-11-21 makes it past by the count of owl-1-s2-p3 (8 collars, from 4 "
            "nodes): if that was a slip, count it again. If the field",
        ),
        ([COUNTED], "by the count of owl-1-s2-p3 (8 collars): if that was a slip, count it again."),
        (
            [COUNTED, replace(COUNTED, name="b", hand_count=7)],
            "by the counts of owl-1-s2-p3 (8 collars), b (7 collars): if those were slips, count "
            "them again.",
        ),
        ([TAPED], "by the height of tall (33.0 in by hand): if that was a slip, measure it again."),
        (
            [COUNTED, TAPED],
            "by the count of owl-1-s2-p3 (8 collars) and the height of tall (33.0 in by hand): if "
            "those were slips, count them again.",
        ),
        (
            [COUNTED, READ],
            "if that was a slip, count it again. So do its photos of read: count those by hand if "
            "need be. If the field was planted again",
        ),
    ],
)
def test_the_cure_for_a_past_of_an_earlier_visit_is_that_of_what_made_it(
    then: list[PlantEvidence], said: str
) -> None:
    found = cure(*then)
    assert said in found
    assert ("count them by hand" in found) == (then == [READ])


def test_a_height_by_hand_is_told_in_the_units_shown() -> None:
    assert "tall (83.8 cm by hand)" in cure(TAPED, shown=Shown("cm"))


# A minimum and no maximum


def test_those_short_of_a_minimum_are_not_said_to_have_reached_it() -> None:
    limit = Limit("Product B", "broadcast", "collars", Bound(5))
    there = [replace(plant, hand_count=5) for plant in NOW[:11]]
    short = [replace(NOW[11], name=f"v{k}", hand_count=k, height_mm=90.0) for k in (0, 3)]
    said = judge([*there, *short], limit, TODAY)
    assert said.word == "open"
    assert (
        "open. 11 of 13 plants seen have reached 5 collars, and no maximum is set. Short of it: "
        "v0, v3." in said.sentence
    )
    every = judge(there, limit, TODAY).sentence
    assert "The 11 plants seen have reached 5 collars, and no maximum is set." in every
    either = replace(limit, lowest=Bound(5, 100.0, "10 cm"))
    bare = replace(short[1], height_mm=None)
    unknown = judge([*there, bare], either, TODAY).sentence
    assert "11 of 12 plants seen have reached 5 collars or 10 cm" in unknown
    assert "Without a height, and not known to be there: v3." in unknown


# A maximum of leaves and height both


def test_a_plant_that_waits_is_not_told_as_past_its_leaves() -> None:
    """Read as V4 and perhaps V6: nobody counted it, and by its height it is inside."""
    limit = Limit("A", "broadcast", "collars", highest=Bound(5, 508.0, "20 in"))
    limit = replace(limit, highest_when="both")
    field = [replace(plant, hand_count=4, height_mm=215.0) for plant in NOW]
    unsure = PlantEvidence(
        "unsure",
        (0, 0, 0, 0.1, 0.6, 0.3),
        4,
        "hand-count",
        0.6,
        height_mm=216.0,
        height_interval_mm=(205.0, 228.0),
        height_basis="arch",
        taken_at=TODAY,
    )
    waits = judge([*field, unsure], limit, TODAY).sentence
    assert "(V4?, 8.5 in), which may be past 5 collars and is still under 20 in." in waits
    counted = judge([*field, replace(unsure, hand_count=6)], limit, TODAY).sentence
    assert "(V6, 8.5 in), past 5 collars, still under 20 in." in counted
