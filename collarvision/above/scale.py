"""Ground scale: how much ground a pixel of a photo from above covers, and how sure that is.

Four things can tell it: a height over the ground with the camera's lens, a scale card lying on the
ground, the spacing of rows that the user states and the picture shows, and an orthomosaic's own
georeference (`collarvision.above.ortho`). Where several do, they are weighed by their errors, and
checked against each other; where none does, nothing is measured. The height over the sea, which
every GPS notes, is none of them, and is often mistaken for one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from collarvision.above.ground import FLAT_DEG, Ground, focal_px, straight_down, tilted
from collarvision.above.groundcard import find_ground_card
from collarvision.above.network import WORKING_MM
from collarvision.above.pixelrows import PixelRows, find_pixel_rows
from collarvision.above.rowspacings import (
    AGREE,
    CHECK_STATED,
    ROWS_ERROR,
    SOURCE_WORDS,
    odd_scale,
)
from collarvision.above.tilt import MOST_TILT_DEG, NoScale, roll_of, tilt_of
from collarvision.above.values import Z90, GroundScale, ScaleSource
from collarvision.photo import Photo

# Errors of one standard deviation; common practice where no source is named. A barometer drifts by
# half a metre within a flight and knows nothing of the slope; focal lengths in EXIF are whole mm,
# and cameras differ in whether they go by the picture's diagonal or its width.
_TAKEOFF_ERROR_M: Final = 0.5
_GROUND_ERROR_M: Final = 0.15
_STATED_ERROR: Final = 0.06
_LENS_ERROR: Final = 0.03
_CARD_LIFT: Final = 0.01
"""A card on clods or stubble lies a little above the ground."""

LEAST_ROWS_M, MOST_ROWS_M = 0.3, 1.6
"""Corn is sown in rows from twelve inches to a skipped 30-inch row apart; common practice."""

_CARD_SEEN_MM: Final = 3.0
_ROWS_PX: Final = 1400
"""Long side of the picture that rows are looked for in."""

RESIZED: Final = (
    "The file notes another size than the photo has: if it was cut, counts are wrong. Give "
    "{option} or the camera's own file."
)

FARTHEST_M: Final = 200.0
"""No photo from higher shows a plant's leaves, whatever the lens."""


@dataclass(frozen=True)
class Stated:
    """What the user says of a flight.

    Attributes
    ----------
    row_spacing_m : float or None
    height_m : float or None
        Of the camera over the ground.
    check_bar_mm : float
        The card's check bar as measured on the print.
    by_above : bool
        Whether `collarvision above` reads, whose options take what is missing. It is no part of
        the text that kept photos are known by.
    """

    row_spacing_m: float | None = None
    height_m: float | None = None
    check_bar_mm: float = 100.0
    by_above: bool = field(default=True, repr=False)

    def option(self, words: str) -> str:
        """An option of `above`, named so that users of another command find it too."""
        return words if self.by_above else f"`collarvision above {words}`"


@dataclass(frozen=True, eq=False)
class Scaled:
    """A ground scale, the photo's ground at it, the rows that pixels show, and codes of quality."""

    scale: GroundScale
    ground: Ground
    rows: PixelRows | None
    codes: tuple[str, ...] = ()


def find_scale(photo: Photo, stated: Stated) -> Scaled:
    """Find the ground scale of a photo from above.

    Raises
    ------
    NoScale
        When nothing tells it, or what does can't be believed, or the photo is tilted too far.
    """
    tilt, notes = tilt_of(photo)
    by_height = _from_height(photo, stated)
    first = by_height or GroundScale(WORKING_MM, 1.0, "exif")
    ground = _ground(photo, first.mm_per_px, tilt)
    rows, seen_m = _rows_on(ground)
    found = [by_height] if by_height is not None else []
    if seen_m is not None and by_height is not None and stated.row_spacing_m is None:
        _check_height(by_height, seen_m, photo, stated)
    if stated.row_spacing_m is not None and seen_m is not None and rows is not None:
        ratio = stated.row_spacing_m / seen_m
        error = math.hypot(rows.relative_error, ROWS_ERROR)
        found.append(GroundScale(first.mm_per_px * ratio, error, "rows"))
    # Coarser than this a marker's squares are smaller than a pixel.
    coarse = by_height is not None and by_height.mm_per_px > _CARD_SEEN_MM
    by_card = None if coarse else _from_card(photo, ground, stated)
    if by_card is not None:
        found.append(by_card)
    if not found:
        raise _refusal(photo, stated)
    codes = ["tilted"] if tilt > 0.0 else []
    if found == [by_height] and photo.resized:
        notes += (RESIZED.format(option=stated.option("--rows")),)
    if found == [by_height] and seen_m is not None and stated.height_m is None:
        odd = odd_scale(found[0], seen_m, stated.option("--rows"))
        if odd is not None:
            codes.append("odd-rows")
            notes += (odd[1],)
            found = [odd[0]]
    scale = _together(found, notes, tilt)
    roll = roll_of(photo)
    if roll > 2 * FLAT_DEG:
        # By height the middle is further off than straight down, and the sides differ.
        codes.append("tilted")
        aslant = 1.5 * math.tan(math.radians(roll)) ** 2
        scale = replace(scale, relative_error=math.hypot(scale.relative_error, aslant))
    if scale.mm_per_px * max(photo.size) > FARTHEST_M * 2000:
        raise _too_high(scale, photo, stated)
    ground = _ground(photo, scale.mm_per_px, tilt)
    return Scaled(scale, ground, rows, tuple(dict.fromkeys(codes)))


def _ground(photo: Photo, mm_per_px: float, tilt_deg: float) -> Ground:
    if tilt_deg > 0.0:
        return tilted(photo, mm_per_px, tilt_deg)
    return straight_down(photo, mm_per_px)


def _from_height(photo: Photo, stated: Stated) -> GroundScale | None:
    """Scale at the photo's middle by height and lens; None where one of them isn't known."""
    focal = focal_px(photo)
    flight = photo.flight
    source: ScaleSource = "exif"
    if stated.height_m is not None:
        height, error, source = stated.height_m, _STATED_ERROR * stated.height_m, "stated"
    elif flight.ground_height_m is not None and flight.ground_height_m > 0.5:
        height, error = flight.ground_height_m, _GROUND_ERROR_M
    elif flight.height_m is not None and flight.height_m > 0.5:
        height, error = flight.height_m, _TAKEOFF_ERROR_M
    else:
        return None
    if focal is None:
        return None
    tilt = 0.0 if flight.pitch_deg is None else math.radians(abs(90.0 + flight.pitch_deg))
    away_mm = 1000.0 * height / math.cos(min(tilt, math.radians(MOST_TILT_DEG)))
    error = math.hypot(error / height, _LENS_ERROR)
    if photo.resized:
        # A shrunk photo is read right, and a cut one is told larger by as much as it was cut.
        error = math.hypot(error, abs(math.log(photo.size_ratio)) / Z90)
    return GroundScale(away_mm / focal, error, source)


def _rows_on(ground: Ground) -> tuple[PixelRows | None, float | None]:
    """Rows on the flat ground, and their spacing in metres at the scale that it stands at."""
    photo = ground.photo
    valid = None
    if ground.tilt_deg == 0.0:
        rgb, _ = photo.pixels(max(photo.size) / _ROWS_PX)
        per_px = ground.length_scale(0.0, 0.0) * photo.size[0] / rgb.shape[1]
    else:
        per_px = max(ground.width, ground.height) * ground.working_mm / _ROWS_PX
        rgb = ground.overview(per_px)
        valid = np.asarray(rgb.any(2))
    rows = find_pixel_rows(rgb, valid)
    return rows, None if rows is None else rows.spacing_px * per_px / 1000


def _from_card(photo: Photo, ground: Ground, stated: Stated) -> GroundScale | None:
    """Scale at the photo's middle by a card on the ground."""
    card = find_ground_card(photo, check_bar_mm=stated.check_bar_mm)
    if card is None:
        return None
    # The same place at the scale that the ground stands at tells the scale of the middle.
    factor = _relative_size(ground, card.x, card.y)
    error = math.hypot(card.relative_error, _CARD_LIFT)
    notes: tuple[str, ...] = ()
    if ground.tilt_deg == 0.0 and card.tilt_deg > 15.0 and photo.flight.pitch_deg is None:
        error = math.hypot(error, 0.05)
        notes = (
            f"The card is seen {card.tilt_deg:.0f}° aslant: if the camera was tilted, counts to "
            "the photo's edges are in doubt. Hold it straight down.",
        )
    return GroundScale(card.mm_per_px / factor, error, "card", notes=notes)


def _relative_size(ground: Ground, x: float, y: float) -> float:
    """Ground a photo px at a place over that at the photo's middle across the view, as lengths."""
    width, height = ground.photo.size
    # Across the view a px covers less than the mean of both directions, by the tilt's cosine.
    across = math.sqrt(math.cos(math.radians(ground.tilt_deg)))
    return ground.length_scale(x, y) / (ground.length_scale(width / 2, height / 2) * across)


def _together(found: list[GroundScale], notes: tuple[str, ...], tilt: float) -> GroundScale:
    """One scale of several: the surest, joined by those that agree with it."""
    found = sorted(found, key=lambda one: one.relative_error)
    best = found[0]
    weights, logs = [], []
    for one in found:
        apart = abs(math.log(one.mm_per_px / best.mm_per_px))
        allowed = AGREE * math.hypot(one.relative_error, best.relative_error)
        notes += one.notes
        if apart > allowed:
            known = SOURCE_WORDS[best.source]
            notes += (
                f"By {SOURCE_WORDS[one.source]} a pixel would be {one.mm_per_px:.2f} mm, by "
                f"{known} {best.mm_per_px:.2f} mm: {known} is believed. {CHECK_STATED}",
            )
            continue
        weights.append(1 / one.relative_error**2)
        logs.append(math.log(one.mm_per_px))
    mean = float(np.average(logs, weights=weights))
    return replace(
        best,
        mm_per_px=math.exp(mean),
        relative_error=1 / math.sqrt(sum(weights)),
        tilt_deg=tilt,
        notes=tuple(dict.fromkeys(notes)),
    )


def _check_height(scale: GroundScale, seen_m: float, photo: Photo, stated: Stated) -> None:
    """Refuse a height by which rows lie where no planter puts them.

    Raises
    ------
    NoScale
    """
    slack = 1 + 2 * scale.relative_error
    if LEAST_ROWS_M / slack <= seen_m <= MOST_ROWS_M * slack:
        return
    height = stated.height_m or photo.flight.ground_height_m or photo.flight.height_m or 0.0
    whose = "you gave" if stated.height_m is not None else "in the file"
    if seen_m > MOST_ROWS_M:
        raise NoScale(
            f"By the height {whose} ({height:.0f} m) the rows would lie {seen_m:.1f} m apart. It "
            "is probably the height above the sea: give the height above the ground with "
            f"{stated.option('--height')}, or the row spacing with {stated.option('--rows')}.",
            "sea-height",
        )
    raise NoScale(
        f"By the height {whose} ({height:.1f} m) the rows would lie only {100 * seen_m:.0f} cm "
        "apart. It is probably counted from another place than this field: give the height "
        f"above the ground with {stated.option('--height')}, or the row spacing with "
        f"{stated.option('--rows')}.",
    )


def _too_high(scale: GroundScale, photo: Photo, stated: Stated) -> NoScale:
    wide = scale.mm_per_px * photo.size[0] / 1000
    if scale.source not in ("exif", "stated"):
        advice = "Check what you gave, and fly lower."
    elif stated.row_spacing_m is not None:
        advice = (
            "If that height is above the sea, give the height above the ground with "
            f"{stated.option('--height')}."
        )
    else:
        advice = (
            "If that height is above the sea, give the height above the ground with "
            f"{stated.option('--height')}, or the row spacing with {stated.option('--rows')}."
        )
    return NoScale(
        f"By {SOURCE_WORDS[scale.source]} the photo would show {wide:.0f} m of ground, too much to "
        f"see a leaf. {advice}",
        "sea-height",
    )


def _refusal(photo: Photo, stated: Stated) -> NoScale:
    """Say what is missing, by what is there: nothing is asked for that was given or can't help."""
    lens = focal_px(photo) is not None
    rows, high = stated.option("--rows 30in"), stated.option("--height 6m")
    if stated.row_spacing_m is not None:
        if lens:
            return NoScale(
                "No rows can be made out in this photo, so the row spacing tells no scale: give "
                f"the camera's height above the ground with {high}, or lay the printed card down."
            )
        return NoScale(
            "No rows can be made out in this photo, and its file lacks the camera's focal length, "
            "without which a height tells no scale: give the camera's own file, or lay the "
            "printed card down."
        )
    if stated.height_m is not None:
        return NoScale(
            "A height alone tells no scale, and the file lacks the camera's focal length: give "
            f"the camera's own file, the row spacing with {rows}, or lay the printed card down."
        )
    sea = photo.flight.sea_height_m
    height = photo.flight.height_m or photo.flight.ground_height_m
    if height is not None and height > 0.5:
        return NoScale(
            "The file has a height but lacks the camera's focal length (or the photo was zoomed "
            "digitally), so nothing tells its scale: give the camera's own file, the row spacing "
            f"with {rows}, or lay the printed card down."
        )
    if sea is not None:
        return NoScale(
            f"The file has only a height above the sea ({sea:.0f} m), which tells nothing of the "
            "height above this field: give "
            + (
                f"that with {high}, or the row spacing with {rows}."
                if lens
                else f"the row spacing with {rows}, or lay the printed card down."
            ),
            "sea-height",
        )
    return NoScale(
        "Nothing tells the photo's scale (its file has no height above the ground): give the row "
        f"spacing with {rows}, "
        + (f"the height with {high}, " if lens else "")
        + "or lay the printed card down."
    )
