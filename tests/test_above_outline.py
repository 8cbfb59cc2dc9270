"""Photos from above and a field's outline: what can't be placed is said, cover is the field's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from drawn_field import FixedNetwork, Planted, draw, jpeg, level_notes, plant, seen_maps

from collarvision.above.calibration import AboveCalibration
from collarvision.above.frames import read_frame
from collarvision.above.values import FrameAbove
from collarvision.photo import load_photo

WIDE, TALL, MM = 1600, 1200, 2.0
PLACE = (41.5, -93.25)
FIELD: Planted = plant(WIDE * MM / 1000, TALL * MM / 1000, seed=8)


def read(*, neighbour: str = "", **said: object) -> FrameAbove:
    """Read a photo whose eastern half is another's, under leaves of some kind if any."""
    notes = {**level_notes(MM, WIDE, TALL), **said}
    photo = load_photo(jpeg(draw(FIELD, WIDE, TALL, MM), **notes), "f.jpg")  # type: ignore[arg-type]
    maps = seen_maps(FIELD, WIDE, TALL, MM)
    if neighbour:
        east = np.s_[:, maps.canopy.shape[1] // 2 :]
        grown = {name: getattr(maps, name).copy() for name in ("canopy", "other", "plants")}
        grown["plants"][east] = grown["canopy"][east] = grown["other"][east] = 0.0
        grown[neighbour][east] = 0.95
        maps = replace(maps, **grown)
    return read_frame(
        photo, FixedNetwork(maps), AboveCalibration(), within=lambda lat, lon: lon < PLACE[1] + 1e-9
    )


def test_cover_is_that_of_the_field_and_not_of_its_neighbour() -> None:
    for neighbour in ("canopy", "other"):
        frame = read(neighbour=neighbour, gps=PLACE, GimbalYawDegree=0.0)
        assert frame.canopy_cover is not None
        assert frame.canopy_cover < 0.3
        assert frame.weed_cover is not None
        assert frame.weed_cover < 0.05
        assert frame.plants is not None
        assert not {"weedy", "closed", "not-maize"} & set(frame.quality)


def test_what_cannot_be_placed_in_the_outline_is_said() -> None:
    nowhere = read()
    assert nowhere.plants is not None
    assert any("The file has no place (GPS)" in reason for reason in nowhere.reasons)
    unturned = read(gps=PLACE)
    assert any("doesn't say which way the photo looks" in reason for reason in unturned.reasons)
    placed = read(gps=PLACE, GimbalYawDegree=0.0)
    assert placed.reasons == ()
    for frame in (nowhere, unturned):
        assert all(len(reason) < 260 for reason in frame.reasons)
