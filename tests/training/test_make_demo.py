"""The demo's photos: which plants, and that a scene keeps what its slot asks for."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from training import make_demo
from training.plantgen import truth


def test_the_farm_has_four_fields_at_two_visits_one_at_one_and_no_two_plants_of_a_name() -> None:
    slots = list(make_demo.slots())
    names = [slot.name for slot in slots]
    assert len(set(names)) == len(names)
    visits = Counter(name.rsplit("-", 2)[0] for name in names)
    assert len(visits) == 9
    assert 80 <= len(slots) <= 90
    assert visits["heron-2"] == 19


def test_the_fields_lie_open_closing_and_past_of_six_collars_or_twenty_inches() -> None:
    """The demo's own limit, as the design of the field rooms has it: six collars or 20 in."""
    by_visit: dict[str, list[make_demo.Slot]] = {}
    for slot in make_demo.slots():
        by_visit.setdefault(slot.name.rsplit("-", 2)[0], []).append(slot)
    assert max(slot.stage_v for slot in by_visit["owl-2"]) <= 4
    assert {slot.stage_v for slot in by_visit["acre-2"]} <= {4, 5, 6}
    assert sum(slot.stage_v > 6 for slot in by_visit["mill-2"]) >= 6
    assert sum(slot.fault is not None for slot in by_visit["creek-2"]) >= 3
    # The flown field's part ahead has plants past V6; the others have none.
    heron = {slot.name.split("-")[2]: set() for slot in by_visit["heron-2"]}
    for slot in by_visit["heron-2"]:
        heron[slot.name.split("-")[2]].add(slot.stage_v)
    assert max(heron["s2"]) == max(heron["s3"]) == 7
    assert max(heron["s1"] | heron["s4"] | heron["s5"]) <= 6
    twenty_inches_mm = 508.0
    for visit in ("owl-2", "acre-2"):
        assert all((slot.tallest_mm or 1e9) < twenty_inches_mm for slot in by_visit[visit])


@pytest.mark.parametrize("name", ["owl-2-s1-p1", "creek-2-s2-p3"])
def test_a_scene_keeps_the_heights_and_the_frame_its_slot_asks_for(name: str) -> None:
    slot = next(slot for slot in make_demo.slots() if slot.name == name)
    stand, _, _ = make_demo.stand_for(slot, 5, (720, 960))
    assert stand.shapes[0].plant.stage_v == slot.stage_v
    if slot.tallest_mm is not None:
        assert stand.shapes[0].blades.vertices[:, 2].max() < slot.tallest_mm
    low, high = truth.plant_box_px(stand)
    whole = (low > 0).all() and (high < [720, 960]).all()
    assert whole == (slot.fault != "cut_off")


def test_a_photo_of_noise_still_ends_in_a_jpeg() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (120, 90, 3)).astype(np.uint8)
    data, quality = make_demo.encode(noise, 26.0)
    assert data[:2] == b"\xff\xd8"
    assert make_demo.LOWEST_QUALITY <= quality <= make_demo.QUALITY
