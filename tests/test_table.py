"""Table: readable at a glance on any width, with what to do next."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collarvision.answer import CollarMark, Reading, shown_stage
from collarvision.table import CAUTION, MORE_REASONS, format_table

STAGED = Reading(photo="IMG_0412.jpg", outcome="staged", stage=3, confidence=0.953, height_mm=182.9)
HAND_COUNT = Reading(
    photo="north quarter stop 4 2024-05-17 IMG_0413.jpg",
    outcome="hand-count",
    stage=5,
    confidence=0.55,
    reasons=("Leaf 1 is probably lost: split the stalk and count from the nodes.", "Second."),
)
REJECTED = Reading(
    photo="gone.jpg", outcome="rejected", reasons=("There is no file gone.jpg: check the name.",)
)
ALL = [STAGED, HAND_COUNT, REJECTED]


@pytest.mark.parametrize("width", [24, 40, 55, 56, 80, 120])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    assert max(len(line) for line in format_table(ALL, width=width).splitlines()) <= width


def test_a_row_says_stage_confidence_height_and_outcome() -> None:
    row = format_table([STAGED]).splitlines()[2]
    assert row.split() == ["IMG_0412.jpg", "V3", "very", "sure", "95%", "7.2", "in", "staged"]


@pytest.mark.parametrize(("unit", "words"), [("in", "7.2 in"), ("cm", "18.3 cm"), ("mm", "183 mm")])
def test_heights_in_each_unit(unit: str, words: str) -> None:
    # 182.9 mm; the inch is 25.4 mm exactly (international yard and pound agreement, 1959).
    assert words in format_table([STAGED], unit=unit)  # type: ignore[arg-type]


def test_a_best_guess_carries_a_question_mark_and_its_first_reason() -> None:
    text = format_table([HAND_COUNT])
    assert "V5?" in text
    assert "split the stalk" in text
    assert "(+ 1 more)" in " ".join(text.split())


@pytest.mark.parametrize("width", [50, 80])
def test_a_staged_plant_says_which_leaves_it_takes_as_lost(width: int) -> None:
    """As the overlay does: the stage is more than the collars that can be counted."""
    collars = tuple(CollarMark(rank, 10.0, -10.0 * rank, 0.9) for rank in (2, 3))
    lost = replace(STAGED, collars=collars)
    said = "    Leaf 1 is taken as lost, and counted."
    lines = format_table([lost, STAGED], width=width).splitlines()
    assert lines.count(said) == 1
    assert any("staged" in line for line in lines[: lines.index(said)])
    whole = replace(lost, collars=(CollarMark(1, 10.0, 0.0, 0.9), *collars))
    assert "taken as lost" not in format_table([whole])
    # A plant that a person counts anyway keeps to its reasons.
    assert "taken as lost" not in format_table([replace(HAND_COUNT, collars=collars)])


def test_a_photo_from_above_is_no_plant_to_count_by_hand() -> None:
    above = replace(HAND_COUNT, view="above", stage=None, confidence=None)
    text = " ".join(format_table([STAGED, HAND_COUNT, above]).split())
    assert "3 photos: 1 staged, 1 hand count, 1 from above." in text
    alone = format_table([above])
    assert "hand count" not in alone
    assert alone.splitlines()[2].endswith("from above")


def test_the_end_of_a_long_name_survives() -> None:
    assert "IMG_0413.jpg" in format_table([HAND_COUNT], width=70)


def test_the_closing_lines_count_and_say_what_next() -> None:
    text = format_table(ALL)
    assert "3 photos: 1 staged, 1 hand count, 1 rejected. Staged: V3 × 1." in text
    assert "Next: count the hand-count plants" in text
    assert "Next: 1 could not be opened as a photo" in text
    assert "retake" not in text


def test_where_the_other_reasons_are_is_said_once_where_there_are_some() -> None:
    lines = format_table([*ALL, HAND_COUNT], width=80).splitlines()
    assert lines.count(MORE_REASONS) == 1
    assert MORE_REASONS not in format_table([replace(HAND_COUNT, reasons=("Only.",))])
    plant = replace(HAND_COUNT, photos=({"photo": "a.jpg"}, {"photo": "b.jpg"}))
    told = format_table([plant])
    assert MORE_REASONS not in told  # of the plant's own reasons no overlay is drawn
    assert "Reasons left out here are in --format json." in told


def test_a_plant_may_be_photographed_again_where_its_reason_says_so() -> None:
    again = " or again where its reason says so"
    assert again in " ".join(format_table([HAND_COUNT]).split())
    assert again not in " ".join(format_table([STAGED]).split())
    plant = replace(HAND_COUNT, photos=({"photo": "a.jpg"}, {"photo": "b.jpg"}))
    assert "take a photo again where its reason says so" in " ".join(format_table([plant]).split())


def test_a_photo_that_opened_is_retaken_and_a_file_that_did_not_is_not() -> None:
    bare = Reading(photo="soil.jpg", outcome="rejected", photo_size=(960, 1280))
    text = format_table([bare])
    assert "Next: retake the rejected" in text
    assert "could not be opened" not in text


def test_the_caution_stands_once_where_there_is_a_stage_and_not_where_there_is_none() -> None:
    assert format_table(ALL, width=100).count(CAUTION) == 1
    assert CAUTION not in format_table([REJECTED], width=100)


def test_a_height_that_is_not_there_is_explained() -> None:
    bare = Reading(photo="a.jpg", outcome="staged", stage=2, confidence=0.9, quality=("no_card",))
    assert "No height for 1: no scale card" in format_table([bare, STAGED])
    two = replace(bare, quality=("two_cards",))
    assert "No height for 1: two scale cards are in view there." in format_table([two, STAGED])


def test_a_fault_is_not_hidden() -> None:
    broken = Reading(photo="a.jpg", outcome="rejected", reasons=("A fault.",), fault="KeyError: 1")
    assert "1 failed on a fault of the program" in " ".join(format_table([broken]).split())


def test_a_name_cannot_forge_a_line_or_move_the_cursor() -> None:
    text = format_table([Reading(photo="a\n\x1b[2Jb.jpg", outcome="rejected", reasons=("No.",))])
    assert "\x1b" not in text
    assert "\nb" not in text


def test_nothing_read() -> None:
    assert "No photo was read." in format_table([])


@pytest.mark.parametrize(("high", "doubt"), [(230.0, False), (260.0, True)])
def test_a_height_whose_interval_reaches_far_is_shown_with_doubt(high: float, doubt: bool) -> None:
    wide = replace(STAGED, height_interval_mm=(170.0, high))
    assert wide.height_in_doubt is doubt
    text = " ".join(format_table([wide]).split())
    assert ("7.2 in?" in text) is doubt
    assert ("measure the plant where a limit is near" in text) is doubt


def test_nothing_is_certain() -> None:
    assert "very sure 99%" in format_table([replace(STAGED, confidence=0.9999)])


def test_a_narrow_screen_keeps_the_range_of_a_photo_from_above() -> None:
    above = {"stages": {"low": "V3", "high": "V5", "probabilities": []}}
    reading = Reading(photo="drone.jpg", outcome="hand-count", view="above", above=above)
    text = format_table([reading], width=40)
    assert "V3–V5" in text
    # A spray decision may lean on a range as well.
    assert CAUTION in format_table([reading], width=400)
    nothing = Reading(photo="drone.jpg", outcome="rejected", view="above", above={"stages": None})
    assert CAUTION not in format_table([nothing], width=400)
    assert "–\n" not in text.replace("V3–V5", "")


@pytest.mark.parametrize(
    ("outcome", "confidence", "shown"),
    [("staged", 0.96, "V4"), ("hand-count", 0.55, "V4?"), ("hand-count", 0.35, "–"),
     ("hand-count", None, "V4?")],
)  # fmt: skip
def test_a_wild_guess_is_no_stage(outcome: str, confidence: float | None, shown: str) -> None:
    assert shown_stage(4, outcome, confidence) == shown  # type: ignore[arg-type]
    assert shown_stage(None, outcome, confidence) == "–"  # type: ignore[arg-type]
