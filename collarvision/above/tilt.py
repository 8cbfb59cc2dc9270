"""Tilt: how the camera hung by its notes, and what of that can't be measured."""

from __future__ import annotations

from typing import Final

from collarvision.above.ground import FLAT_DEG
from collarvision.photo import Photo

MOST_TILT_DEG: Final = 45.0
MOST_ROLL_DEG: Final = 15.0
"""Hung further to one side, a photo can't be measured: that isn't put right."""

UNSAID: Final = "The file doesn't say how the camera was tilted: taken as straight down."


class NoScale(Exception):
    """Nothing tells the ground's scale; `str` says what to do, `code` is short for it."""

    def __init__(self, sentence: str, code: str = "no-scale") -> None:
        super().__init__(sentence)
        self.code = code


def roll_of(photo: Photo) -> float:
    """Say how far the camera hung to one side, degrees; upside down is level too."""
    roll = photo.flight.roll_deg
    return 0.0 if roll is None else abs((roll + 90.0) % 180.0 - 90.0)


def tilt_of(photo: Photo) -> tuple[float, tuple[str, ...]]:
    """Give the camera's tilt from straight down, degrees, and what there is to say of it.

    Raises
    ------
    NoScale
        When it was tilted too far, or can't be put right.
    """
    pitch, level = photo.flight.pitch_deg, roll_of(photo)
    if level > MOST_ROLL_DEG:
        raise NoScale(
            f"The camera hung {level:.0f}° to one side, too far to measure plants: keep it level, "
            f"or within {MOST_ROLL_DEG:.0f}° of that.",
            "tilted",
        )
    notes: list[str] = []
    if level > 2 * FLAT_DEG:
        notes.append(
            f"The camera hung {level:.0f}° to one side, which isn't put right: counts toward the "
            "photo's sides are in doubt."
        )
    if pitch is None:
        return 0.0, (*notes, UNSAID)
    tilt = abs(90.0 + pitch)
    if pitch < -90.0 - FLAT_DEG:
        # The ground is laid flat as if the upper edge were the far one, which here is the near one.
        raise NoScale(
            f"The camera was tilted {tilt:.0f}° past straight down, so it looked backward, which "
            "can't be put right: point it straight down (-90°), or tilt it ahead by up to 45°.",
            "tilted",
        )
    if tilt > MOST_TILT_DEG:
        raise NoScale(
            f"The camera was tilted {tilt:.0f}° from straight down, too far to measure plants: "
            "point it straight down (-90°), or up to 45° from that.",
            "tilted",
        )
    if tilt <= FLAT_DEG:
        return 0.0, tuple(notes)
    if photo.focal_eq_mm is None:
        raise NoScale(
            f"The camera was tilted {tilt:.0f}° and the file lacks its focal length, so the photo "
            "can't be laid flat: give the camera's own file, or point it straight down.",
            "tilted",
        )
    # The ground is laid flat as if the upper edge were the far one: here it may be any other.
    if photo.turned:
        raise NoScale(
            f"The camera was tilted {tilt:.0f}° and the photo was turned since it was taken, which "
            "can't be put right: give the camera's own file, or point it straight down (-90°).",
            "tilted",
        )
    if abs(photo.flight.roll_deg or 0.0) > 90.0:
        raise NoScale(
            f"The camera was tilted {tilt:.0f}° and hung upside down, which can't be put right: "
            "hang it upright, or point it straight down (-90°).",
            "tilted",
        )
    notes.append(f"The camera was tilted {tilt:.0f}° from straight down, which was put right.")
    return tilt, tuple(notes)
