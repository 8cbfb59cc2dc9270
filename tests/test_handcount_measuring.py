"""Measuring on the hand-count page: the ruler between the soil and arch handles."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from stand_in import DrawnPlant

from collarvision import read_photo
from collarvision.answer import Reading
from collarvision.handcount.measuring import yardstick


def test_unmoved_handles_give_the_readings_own_height(drawn: tuple[bytes, Reading]) -> None:
    record = drawn[1].record()
    ruler = yardstick(record)
    assert ruler is not None
    height = ruler.height_mm(record["soil_line"], record["arch"])
    assert height == pytest.approx(record["height_mm"], rel=1e-6)
    assert (ruler.low, ruler.high) == pytest.approx(
        [end / record["height_mm"] for end in record["height_interval_mm"]]
    )


def test_moved_handles_follow_the_drawings_scale(
    drawn: tuple[bytes, Reading], drawn_plant: DrawnPlant
) -> None:
    # The drawing is at 0.5 mm a px by construction: 100 px more are 50 mm more on the board. What
    # the reading takes off for the plant's distance to the board is a few per cent of that.
    record = drawn[1].record()
    ruler = yardstick(record)
    assert ruler is not None
    (x, y), soil = record["arch"], record["soil_line"]
    here, above = ruler.height_mm(soil, (x, y)), ruler.height_mm(soil, (x, y - 100))
    assert here is not None
    assert above is not None
    assert above - here == pytest.approx(100 * drawn_plant.mm_per_px, rel=0.08)
    assert ruler.height_mm(soil, (x, soil[1] + 10)) is None  # below the soil
    # Sideways is no height.
    assert ruler.height_mm(soil, (x + 100, y)) == pytest.approx(here, rel=0.02)


@pytest.mark.parametrize(
    "change",
    [{"card": None}, {"card": {"corners": [[0, 0]] * 3}}, {"card": {"corners": [[1, 1]] * 4}}],
    ids=["no card", "half a card", "a point"],
)
def test_without_a_card_there_is_no_ruler(
    drawn: tuple[bytes, Reading], change: dict[str, Any]
) -> None:
    assert yardstick({**drawn[1].record(), **change}) is None


def test_a_card_without_a_height_measures_on_the_board(
    drawn: tuple[bytes, Reading], drawn_plant: DrawnPlant
) -> None:
    record = {**drawn[1].record(), "height_mm": None, "height_interval_mm": None}
    ruler = yardstick(record)
    assert ruler is not None
    height = ruler.height_mm(drawn_plant.base, drawn_plant.arch)
    assert height == pytest.approx(drawn_plant.height_mm, rel=0.01)


@pytest.mark.parametrize("noted", [False, True], ids=["as earlier", "read_with"])
@pytest.mark.parametrize("bar_mm", [70.0, 97.5, 141.0])
def test_the_ruler_heeds_the_check_bar(
    drawn: tuple[bytes, Reading],
    drawn_plant: DrawnPlant,
    stand_in: Path,
    bar_mm: float,
    noted: bool,
) -> None:
    record = read_photo(drawn[0], check_bar_mm=bar_mm).record()
    if noted:  # as surveys hold it
        record["read_with"] = {"check_bar_mm": bar_mm}
    ruler = yardstick(record)
    assert ruler is not None
    height = ruler.height_mm(record["soil_line"], record["arch"])
    assert height == pytest.approx(record["height_mm"], rel=1e-6)
    assert 0.9 < ruler.scaling < 1.05  # of the plant's nearness alone, not of the print
    bare = yardstick({**record, "height_mm": None, "height_interval_mm": None})
    assert bare is not None
    height = bare.height_mm(drawn_plant.base, drawn_plant.arch)
    assert height == pytest.approx(drawn_plant.height_mm * bar_mm / 100, rel=0.01)
    if noted:  # nor is a foot needed, which a person may yet mark
        bare = yardstick({**record, "soil_line": None, "mm_per_px": None, "height_mm": None})
        assert bare is not None
        height = bare.height_mm(drawn_plant.base, drawn_plant.arch)
        assert height == pytest.approx(drawn_plant.height_mm * bar_mm / 100, rel=0.01)
