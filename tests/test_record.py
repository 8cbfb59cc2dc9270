"""The record: the fixed contract with whatever reads our output."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from collarvision.answer import CardMark, CollarMark, Reading, TipMark
from collarvision.record import Record, read_records
from collarvision.writing import record_line

FULL = Reading(
    photo="IMG_0412.jpg",
    path="stop 1/IMG_0412.jpg",
    sha256="ab" * 32,
    outcome="staged",
    stage=3,
    stage_probabilities=(0.0, 0.0004, 0.02, 0.9496, 0.03) + (0.0,) * 8,
    confidence=0.951234,
    collars=(CollarMark(1, 612.4449, 1310.91, 0.98765),),
    tips=(TipMark(1, 540.0, 1268.2, "rounded", 0.97),),
    first_leaf=0.96,
    lower_leaves_missing=0,
    soil_line=(633.04, 1411.5),
    arch=(598.2, 702.4),
    height_mm=183.04,
    height_interval_mm=(178.1, 188.0),
    height_basis="arch",
    height_rule="half-out",
    mm_per_px=0.26,
    gps=(41.1234567, -93.5),
    card=CardMark(4, 3.14, 0.01, False, ((1, 2), (3, 2), (3, 5), (1, 5))),
    model="1",
)

# The names that the format has promised to keep; a copy on purpose, so that a renamed field fails.
FIXED_FIELDS = [
    "photo", "sha256", "outcome", "stage", "stage_probabilities", "confidence", "reasons",
    "collars", "tips", "first_leaf", "lower_leaves_missing", "soil_line", "arch", "height_mm",
    "height_interval_mm", "mm_per_px", "model",
]  # fmt: skip


def test_a_full_record_is_the_promised_one() -> None:
    record = FULL.record()
    assert set(FIXED_FIELDS) <= set(record)
    assert record["stage_probabilities"] == {"V2": 0.02, "V3": 0.9496, "V4": 0.03}
    assert record["collars"] == [{"rank": 1, "x": 612.4, "y": 1310.9, "score": 0.988}]
    assert record["tips"][0]["shape"] == "rounded"
    assert record["first_leaf"] == {"present": True, "score": 0.96}
    assert record["soil_line"] == [633.0, 1411.5]
    assert record["height_interval_mm"] == [178.1, 188.0]


def test_every_field_written_is_described_and_the_other_way_round() -> None:
    assert set(FULL.record()) == set(Record.model_fields)


def test_a_rejected_photo_has_the_same_fields() -> None:
    rejected = Reading(photo="x.jpg", outcome="rejected", reasons=("There is no file x.jpg.",))
    assert set(rejected.record()) == set(FULL.record())
    Record.model_validate(rejected.record())


def test_stage_ve_has_its_own_name() -> None:
    reading = Reading(photo="x", outcome="staged", stage=0, stage_probabilities=(0.9, 0.1))
    assert reading.record()["stage_probabilities"] == {"VE": 0.9, "V1": 0.1}


def test_a_line_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text(record_line(FULL) + "\n" + record_line(FULL), encoding="utf-8")
    first, second = read_records(path)
    assert first == second
    assert first.collars[0].rank == 1
    assert json.loads(first.model_dump_json())["height_mm"] == 183.0


def test_a_broken_line_is_named(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text(record_line(FULL) + '{"photo": "x"}\n', encoding="utf-8")
    with pytest.raises(ValueError, match="line 2"):
        list(read_records(path))


def test_a_newer_version_may_add_fields() -> None:
    record = Record.model_validate({**FULL.record(), "soil_temperature_c": 12.5})
    assert record.stage == 3


@pytest.mark.parametrize(
    "change",
    [
        {"outcome": "maybe"},
        {"confidence": 1.2},
        {"stage": -1},
        {"stage": None},
        {"height_interval_mm": None},
        {"outcome": "hand-count"},
    ],
)
def test_a_record_that_contradicts_itself_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Record.model_validate({**FULL.record(), **change})


def test_a_name_that_is_no_text_does_not_stop_the_batch() -> None:
    line = record_line(Reading(photo="caf\udce9.jpg", outcome="rejected", reasons=("No.",)))
    assert json.loads(line)["photo"].startswith("caf")
