"""Quality: what is wrong with the photo itself, and what the scout should do about it.

Everything is judged at the plant: a sharp background helps nobody. Limits are in pixels of the
read crop or in millimetres, so that a 2-MP and a 48-MP photo of the same scene are judged alike.
They are common practice, tried on our own renders; no published values are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from collarvision.cutoff import Cut, box_of, cut_off
from collarvision.frame import to_photo_px
from collarvision.network import BLADE, MAP_STRIDE, STALK
from collarvision.wayup import quarter_turns

if TYPE_CHECKING:
    from collarvision.card import Scale
    from collarvision.parts import Parts
    from collarvision.photo import Photo

Severity = Literal["stop", "warning", "note"]

BLUR_WARNING_PX, BLUR_STOP_PX = 2.0, 3.0
"""Blur of blade edges (sigma) in px of the read crop. A collar is some 5 to 10 px wide there; a
sigma of 3 px smears a line over 7 px (full width at half maximum, 2.355 sigma): a whole collar."""

LEAST_PHOTO_BLUR_PX = 1.6
"""A photo this sharp in its own px isn't blurred, however far the crop had to be enlarged."""

SMALL_WARNING_PX, SMALL_STOP_PX = 320.0, 160.0
"""Longer side of the plant in photo px: its stalk is about a thirtieth of that."""

COARSE_WARNING_MM_PER_PX = 1.6
"""Collars of a plant just past a stage stand 3-5 mm apart: two or three px at this scale."""

DARK_WARNING, DARK_STOP = 32, 14
"""Median brightness 0..255 (sRGB) of the plant."""

CLIPPED_WARNING, CLIPPED_STOP = 0.15, 0.5
"""Share of the plant burnt out to white."""

CUT_SUSPECTED = 0.05
"""The network's P(cut off) from which any blade at the photo's edge counts as the plant's."""

TILT_WARNING_DEG = 30.0
SCALE_ERROR_NOTE = 0.02

TURNED = "turned"
"""Code of a photo that isn't upright: no height is told from it."""

TWO_CARDS = "two_cards"
"""Code of a photo that shows two scale cards: nothing is measured by either."""

_LEAST_CELLS = 12  # fewer map cells than this are no plant to judge


@dataclass(frozen=True)
class Finding:
    """One thing to know about the photo.

    Attributes
    ----------
    code : str
        Short name for tables and tests.
    severity : {'stop', 'warning', 'note'}
        'stop': the stage can't be trusted alone. 'warning': it may be off. 'note': the stage
        stands; something else (the height) is missing or less sure.
    sentence : str
        What is wrong and what to do.
    cut : Cut or None
        Of a plant that is cut off: where.
    """

    code: str
    severity: Severity
    sentence: str
    cut: Cut | None = None


def assess(
    photo: Photo, parts: Parts, scale: Scale | None, stalk: np.ndarray | None = None
) -> tuple[Finding, ...]:
    """Judge the photo at the plant, and the view of the card.

    Parameters
    ----------
    photo : Photo
    parts : Parts
        Where the plant is. Without a plant nothing is said of sharpness, light or frame.
    scale : Scale or None
        None when no card was found.
    stalk : ndarray, (n, 2), optional
        From the foot up, photo px; without it nothing is said of which way is up.

    Returns
    -------
    tuple of Finding
        Gravest first.
    """
    findings = [None if stalk is None else _turned(parts, stalk, scale)]
    plant = _plant_cells(parts)
    if plant.sum() >= _LEAST_CELLS:
        findings += [
            _size(photo, parts, plant, scale),
            _frame(photo, parts, plant),
            _others(parts),
            *_light(photo, parts, plant),
            _sharpness(photo, parts, plant),
        ]
    findings += _card(scale)
    order = ("stop", "warning", "note")
    said = [finding for finding in findings if finding is not None]
    return tuple(sorted(said, key=lambda finding: order.index(finding.severity)))


def _green_cells(parts: Parts) -> np.ndarray:
    """(h, w) bool: map cells of any blade, stalk or sheath."""
    return (parts.classes == BLADE) | (parts.classes == STALK)


def _plant_cells(parts: Parts) -> np.ndarray:
    """(h, w) bool: map cells of the plant read, without weeds and neighbours that stand apart."""
    green = _green_cells(parts).astype(np.uint8)
    count, labels = cv2.connectedComponents(cv2.dilate(green, np.ones((3, 3), np.uint8)))
    if count <= 1:
        return green > 0
    sizes = np.bincount(labels.ravel(), weights=green.ravel())
    sizes[0] = 0
    main = int(sizes.argmax())
    if parts.base is not None:
        column, row = _map_from_photo(parts, np.array([[parts.base.x, parts.base.y]]))[0]
        r0, r1 = max(0, round(row) - 2), round(row) + 3
        c0, c1 = max(0, round(column) - 2), round(column) + 3
        near = np.bincount(labels[r0:r1, c0:c1].ravel(), minlength=count) * (sizes > 0)
        if near.any():
            main = int(near.argmax())
    return (labels == main) & (green > 0)


def _map_from_photo(parts: Parts, px: np.ndarray) -> np.ndarray:
    affine = parts.photo_from_map
    return np.linalg.solve(affine[:, :2], (px - affine[:, 2]).T).T


# --------------------------------------------------------------------------- size and frame


def _turned(parts: Parts, stalk: np.ndarray, scale: Scale | None) -> Finding | None:
    turns = quarter_turns(parts, stalk, scale)
    if turns == 0:
        return None
    how = "upside down" if turns == 2 else "turned on its side"
    return Finding(TURNED, "stop", f"The photo seems {how}: turn it upright, then stage it again.")


def _size(photo: Photo, parts: Parts, plant: np.ndarray, scale: Scale | None) -> Finding | None:
    x0, y0, x1, y1 = box_of(parts, plant)
    longer = max(x1 - x0, y1 - y0)
    mm_per_px = 0.0
    if scale is not None:
        mm_per_px = scale.mm_per_px_at((x0 + x1) / 2, (y0 + y1) / 2)
    severity: Severity
    if longer < SMALL_STOP_PX:
        severity = "stop"
    elif longer < SMALL_WARNING_PX or COARSE_WARNING_MM_PER_PX < mm_per_px < np.inf:
        severity = "warning"
    else:
        return None
    share = longer / max(photo.size)
    remedy = (
        "send the original photo, not a preview"
        if share > 0.5
        else "go closer until the plant fills most of the frame"
    )
    return Finding(
        "plant_small",
        severity,
        f"The plant is only {longer:.0f} pixels long in the photo, too few to see every collar: "
        f"{remedy}.",
    )


def _frame(photo: Photo, parts: Parts, plant: np.ndarray) -> Finding | None:
    """Say on which sides the plant runs out of the photo.

    A blade that touches the edge apart from the rest may be a weed's: the network must suspect a
    cut as well.
    """
    cut = cut_off(photo, parts, plant)
    if cut is None and parts.usability.get("cut_off", 0.0) >= CUT_SUSPECTED:
        cut = cut_off(photo, parts, _green_cells(parts))
    if cut is None:
        return None
    *first, last = cut.sides
    sides = f"{', '.join(first)} and {last}" if first else last
    edges = "edges cut" if first else "edge cuts"
    return Finding(
        "plant_cut",
        "stop",
        f"The photo's {sides} {edges} the plant off: step back until all of it, with some soil, "
        "is in the frame.",
        cut,
    )


def _others(parts: Parts) -> Finding | None:
    """Say where more than one plant stands in the soil."""
    if not parts.other_bases:
        return None
    return Finding(
        "several_plants",
        "stop",
        "More than one stalk stands in the soil here: put the board behind one plant alone, and "
        "press weeds and neighbours down.",
    )


# --------------------------------------------------------------------------- light


def _light(photo: Photo, parts: Parts, plant: np.ndarray) -> list[Finding | None]:
    rows, columns = np.nonzero(plant)
    step = max(1, len(rows) // 20000)
    cells = np.column_stack([columns, rows])[::step]
    rgb, photo_px = photo.pixels(parts.px_per_map_px)
    px = to_photo_px(parts, cells) / photo_px
    height, width = rgb.shape[:2]
    x = np.clip(px[:, 0].astype(int), 0, width - 1)
    y = np.clip(px[:, 1].astype(int), 0, height - 1)
    colours = rgb[y, x]
    brightness = float(np.median(colours @ np.array([0.299, 0.587, 0.114])))
    # Burnt out: the green that a leaf reflects most has no headroom left, and neither has another.
    clipped = float((np.sort(colours, axis=1)[:, 1] >= 252).mean())
    dark = burnt = None
    if brightness < DARK_WARNING:
        dark = Finding(
            "dark",
            "stop" if brightness < DARK_STOP else "warning",
            "The plant is too dark: turn it to the light, tap on it to expose for it, or use "
            "the flash.",
        )
    if clipped > CLIPPED_WARNING:
        burnt = Finding(
            "overexposed",
            "stop" if clipped > CLIPPED_STOP else "warning",
            f"{100 * clipped:.0f} % of the plant is burnt out to white: shade it with your body, "
            "or tap on it to expose for it.",
        )
    return [dark, burnt]


# --------------------------------------------------------------------------- sharpness


def _sharpness(photo: Photo, parts: Parts, plant: np.ndarray) -> Finding | None:
    # Finer blur than a px of the crop is never seen by the network.
    rgb, step = photo.pixels(parts.px_per_map_px / MAP_STRIDE)
    blur = edge_blur(rgb, parts, plant, step=step)
    if blur is None:
        return None
    in_photo, in_crop = blur
    if in_crop < BLUR_WARNING_PX or in_photo < LEAST_PHOTO_BLUR_PX:
        return None
    return Finding(
        "blurred",
        "stop" if in_crop > BLUR_STOP_PX else "warning",
        "The plant is not sharp: tap on it to focus, hold the phone with both hands and take "
        "the photo again.",
    )


def edge_blur(
    rgb: np.ndarray, parts: Parts, plant: np.ndarray, *, step: int = 1
) -> tuple[float, float] | None:
    """Blur of the plant's outline.

    A step edge of blur s has a slope of 1/s. Blurring it further by known amounts a < b lowers the
    slope by a ratio R with R^2 = (s^2 + b^2) / (s^2 + a^2), from which s follows whatever the
    contrast. The strongest edges are asked, for they are the ones that stand alone.

    Parameters
    ----------
    rgb : ndarray, (H / step, W / step, 3) uint8
    parts : Parts
    plant : ndarray, (h, w) bool
        Map cells of the plant.
    step : int
        Photo px per px of `rgb`.

    Returns
    -------
    (in_photo, in_crop) or None
        Sigma in photo px and in px of the read crop; None when no edge stands out.
    """
    height, width = rgb.shape[:2]
    x0, y0, x1, y1 = np.array(box_of(parts, plant)) / step
    pad = 4.0 * parts.px_per_map_px / step
    left, top = max(0, int(x0 - pad)), max(0, int(y0 - pad))
    right, bottom = min(width, int(x1 + pad) + 1), min(height, int(y1 + pad) + 1)
    if right - left < 16 or bottom - top < 16:
        return None
    grey = cv2.cvtColor(rgb[top:bottom, left:right], cv2.COLOR_RGB2GRAY)
    # Halve down to about the crop's px.
    per_crop_px = parts.px_per_map_px / MAP_STRIDE
    shrunk = step
    while per_crop_px / shrunk >= 2.0:
        h, w = grey.shape[0] // 2, grey.shape[1] // 2
        grey = cv2.resize(grey[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
        shrunk *= 2
    outline = cv2.morphologyEx(
        plant.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)
    )
    to_grey = np.column_stack(
        [
            parts.photo_from_map[:, :2] / shrunk,
            (parts.photo_from_map[:, 2] - (step * left, step * top)) / shrunk - 0.5,
        ]
    )
    band = cv2.warpAffine(outline, to_grey, (grey.shape[1], grey.shape[0]), flags=cv2.INTER_NEAREST)
    narrow, wide = 1.0, 2.0
    fine, coarse = (_slope(grey, sigma) for sigma in (narrow, wide))
    on_band = band > 0
    if on_band.sum() < 50:
        return None
    floor = max(float(np.quantile(fine[on_band], 0.8)), 1.0)
    strong = on_band & (fine >= floor)
    if strong.sum() < 10:
        return None
    ratio2 = float(np.median(fine[strong] / coarse[strong])) ** 2
    ratio2 = float(np.clip(ratio2, 1.02, wide**2 / narrow**2))
    sigma = float(np.sqrt((wide**2 - ratio2 * narrow**2) / (ratio2 - 1.0)))
    in_photo = sigma * shrunk
    return in_photo, in_photo / per_crop_px


def _slope(grey: np.ndarray, sigma: float) -> np.ndarray:
    """Gradient magnitude in levels per px after a Gaussian blur."""
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), sigma)
    along_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    along_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return np.asarray(cv2.magnitude(along_x, along_y))


# --------------------------------------------------------------------------- the card


def _card(scale: Scale | None) -> list[Finding | None]:
    if scale is None:
        return [
            Finding(
                "no_card",
                "note",
                "No scale card was found, so there is no height: fix the card flat on the board "
                "beside the plant, all four markers in view.",
            )
        ]
    if scale.another_seen:
        return [
            Finding(
                TWO_CARDS,
                "stop",
                "Two scale cards are in view, and each may stand at another plant, so there is no "
                "height: take one away and take the photo again, or count by hand.",
            )
        ]
    tilt = error = None
    if scale.tilt_deg > TILT_WARNING_DEG:
        tilt = Finding(
            "tilted",
            "warning",
            f"The board is tilted by {scale.tilt_deg:.0f}° against the camera: hold the phone "
            "level with the plant and square to the board.",
        )
    if scale.relative_error > SCALE_ERROR_NOTE:
        error = Finding(
            "scale_unsure",
            "note",
            f"The scale is only good to {100 * scale.relative_error:.0f} %, and so is the height: "
            "clear leaves off the card's markers and keep the card flat and sharp.",
        )
    return [tilt, error]
