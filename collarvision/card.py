"""Card: find the scale card in a photo, and say what a pixel of its board is worth in millimetres.

`collarvision.cardmarks` finds the markers on a shrunken photo; here they are measured, by the edges
of their modules, on one as fine as they need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from collarvision.cardfit import (
    MARKER_TOP_LEFT_MM,
    Camera,
    Fit,
    fit_card,
    fit_points,
    pattern_agreement,
)
from collarvision.cardmarks import (
    EASY,
    HARD,
    Marked,
    Search,
    Seen,
    card_corners_mm,
    corner_pairs,
    marker_sets,
    marker_sets_in,
)
from collarvision.cardoutline import outline_sets
from collarvision.cardpose import (
    bears_out,
    cropped_lens,
    error_anew,
    fit_as_cropped,
    foot_spread,
    looks_cropped,
    misfit_unit_px2,
    no_mere_trim,
    planar_poses,
    plausible,
    rounds_for,
    scale_error,
    starting_poses,
)
from collarvision.exif import FULL_FRAME_DIAGONAL_MM
from collarvision.looks import Box
from collarvision.photo import Photo

ASSUMED_FOCAL_EQ_MM = 26.0
"""Main cameras of phones lie at 24-28 mm-equivalent (common practice)."""

MARKER_LEAST_PX = 40.0
"""Smaller markers are measured again on finer pixels. At this size (7 px a module) finer ones move
the scale by 1 in 10,000."""

_LOG_FOCAL_SIGMA_NOTED = 0.04
_LOG_FOCAL_SIGMA_ASSUMED = 0.10
_PATTERN_FLOOR = 0.6  # see pattern_agreement: how much like itself a marker has to look
_PATTERN_FLOOR_ALONE = 0.8
_PATTERN_FLOOR_PREDICTED = 0.7
_OUTLINE_LEAST = 3  # markers that must look like themselves when none was read by itself
_FILLS_CLOSE_BOX = 0.6  # intersection over union; the cards found so have 0.75 and more
_OUTLINE_PX = 0.6  # by which the edges of such a card err together; read off drawn cards

# What the photo can't show: the printed size within the ruler's 0.3 mm on the 100 mm bar, and the
# lens's distortion, which phones correct to a few thousandths (common practice).
_PRINT_SIGMA = 0.003
_LENS_SIGMA = 0.003

# A crop is believed from so much less misfit on, in squared sigmas of edges that err together, and
# where it was no mere trim. A bent card and a lens that distorts look a little like one: of 240
# whole photos so drawn 1 passes.
_CROP_TOLD = 8.0
_SPREAD_NEAR = 0.25  # of the stated error: what is less is taken as part of it


@dataclass(frozen=True)
class Settled:
    """A fit, the rival one of the other pose if that is in question, the ids of its markers.

    `lens_doubted` says that the noted lens is contradicted, or can't be checked where it should be;
    `spread` by how much the scale would differ if the photo were a crop; `fit_error` what
    `scale_error` says, where it was asked already.
    """

    fit: Fit
    rival: Fit | None
    markers: tuple[int, ...]
    lens_doubted: bool = False
    spread: float = 0.0
    fit_error: float | None = None

    def scale_error(self) -> float:
        """1-sigma relative error of lengths, from the fit alone."""
        if self.fit_error is not None:
            return self.fit_error
        return scale_error(self.fit, self.rival, lone=len(self.markers) == 1)


class CardError(ValueError):
    """A wrong statement about the card; `str(error)` says what to do."""


@dataclass(frozen=True, eq=False)
class Scale:
    """Where the card is, and what follows for its board and for the camera.

    Attributes
    ----------
    board_mm_from_px : ndarray, (3, 3)
        Homography from photo px to mm in the card's plane; origin at the card's top-left corner,
        x right, y down.
    rotation : ndarray, (3, 3)
        Card axes (x right, y down, z into the board) to camera axes (x right, y down, z ahead).
    translation_mm : ndarray, (3,)
        The card's origin in camera axes.
    focal_px : float
        Focal length after the fit.
    focal_assumed : bool
        True when the file gave none, and 26 mm-equivalent was the start, or one that the card
        contradicts (a cropped photo), or doesn't bear out where the picture looks like a crop.
    camera_center_px : (x, y)
        Principal point after the fit.
    corners_px : ndarray, (4, 2)
        The card's corners TL, TR, BR, BL; they may lie outside the photo.
    markers_found : int
        1 to 4.
    tilt_deg : float
        Angle between the board and the picture's plane.
    relative_error : float
        1-sigma relative error of lengths on the board, at the card and up to a card's width beside
        it. Half of it or more can be the print and the lens. It holds what the scale would differ
        by at a plant's foot if the photo were a crop, as far as the markers leave that open.
    another_seen : bool
        Another card shows too: nobody knows which of them stands at the plant.
    """

    board_mm_from_px: np.ndarray
    rotation: np.ndarray
    translation_mm: np.ndarray
    focal_px: float
    focal_assumed: bool
    camera_center_px: tuple[float, float]
    corners_px: np.ndarray
    markers_found: int
    tilt_deg: float
    relative_error: float
    another_seen: bool = False

    def times(self, factor: float) -> Scale:
        """Give the scale of the photo whose px are `factor` times as many as the ones here."""
        return replace(
            self,
            board_mm_from_px=self.board_mm_from_px @ np.diag([1 / factor, 1 / factor, 1.0]),
            focal_px=self.focal_px * factor,
            camera_center_px=(self.camera_center_px[0] * factor, self.camera_center_px[1] * factor),
            corners_px=self.corners_px * factor,
        )

    def mm_per_px_at(self, x: float, y: float) -> float:
        """Mm on the board per photo px at (x, y), mean of all directions; inf past the horizon."""
        h = self.board_mm_from_px
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        corner_w = self.corners_px @ h[2, :2] + h[2, 2]
        if w * corner_w[0] <= 0:
            return float("inf")
        # The area that a homography makes of a px is det(H) / w^3.
        return float(np.sqrt(abs(np.linalg.det(h) / w**3)))


def find_card(
    photo: Photo,
    *,
    check_bar_mm: float = 100.0,
    searches: Sequence[Search] = (*EASY, *HARD),
    where: Sequence[Box] = (),
    closely: bool = False,
) -> Scale | None:
    """Find the card and measure how the photo sees it.

    Parameters
    ----------
    photo : Photo
    check_bar_mm : float
        Length of the printed 100 mm check bar as the user measured it: 97 means that every mm on
        the card is 0.97 mm.
    searches : sequence of Search
        How to look for it, one way after the other; see `collarvision.cardmarks`.
    where : sequence of (x0, y0, x1, y1)
        Where, photo px, to look for it alone when the searches find none: for markers, brought to a
        good size, then for its outline.
    closely : bool
        The boxes are right to a tenth of a card, so an outline that doesn't fill one is no card's.

    Returns
    -------
    Scale or None
        None when no marker of the card can be believed.

    Raises
    ------
    CardError
        When the check bar's length can't be that of a printed card.
    """
    if not 50.0 <= check_bar_mm <= 200.0:
        raise CardError(
            f"A check bar of {check_bar_mm:g} mm can't be right: measure the printed bar in "
            "millimetres (100 when printed at full size)."
        )
    print_factor, unnoted = check_bar_mm / 100.0, photo.focal_eq_mm is None
    rgb, step = photo.pixels()
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    for found in marker_sets(grey, searches):
        scale = _by_markers(photo, rgb, step, found, print_factor)
        if scale is not None:
            return scale
    boxes = [(x0 / step, y0 / step, x1 / step, y1 / step) for x0, y0, x1, y1 in where]
    lone: Scale | None = None
    for found in (found for box in boxes for found in marker_sets_in(grey, box)):
        scale = _by_markers(photo, rgb, step, found, print_factor)
        if scale is not None and scale.markers_found > 1:
            return scale
        lone = lone or scale
    for box in boxes:
        lens, cropped = _lens(rgb.shape, photo.focal_eq_mm), looks_cropped(photo)
        known = cropped_lens(lens) if cropped else lens
        by_outline = _measure_outline(rgb, known, box, _FILLS_CLOSE_BOX if closely else 0.0)
        if by_outline is not None:
            by_outline = _lens_checked(rgb, by_outline, lens, cropped)
            return _scale(by_outline, unnoted, print_factor, _OUTLINE_PX).times(step)
    return lone


# --------------------------------------------------------------------------- measuring


def _lens(shape: tuple[int, ...], noted_eq_mm: float | None) -> Camera:
    """Give the camera before the card is seen: focal length and centre, no pose yet."""
    height, width = shape[:2]
    focal_eq_mm = noted_eq_mm or ASSUMED_FOCAL_EQ_MM
    assumed = noted_eq_mm is None
    return Camera(
        rotation=np.eye(3),
        translation_mm=np.zeros(3),
        focal_px=focal_eq_mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height)),
        center_px=(width / 2, height / 2),
        log_focal_sigma=_LOG_FOCAL_SIGMA_ASSUMED if assumed else _LOG_FOCAL_SIGMA_NOTED,
    )


def _by_markers(
    photo: Photo, rgb: np.ndarray, step: float, marked: Marked, print_factor: float
) -> Scale | None:
    """Measure a card by the markers found, on pixels as fine as they need; None if they are none.

    `marked` is in px of `rgb`, of which each is `step` of the photo's.
    """
    found, cropped = marked.markers, looks_cropped(photo)
    seen = _measure(rgb, _lens(rgb.shape, photo.focal_eq_mm), found, cropped)
    if seen is None:
        return None
    smallest = min(one.side_px for one in found)
    if step > 1 and smallest < MARKER_LEAST_PX:
        # A card far away: its edges are worth every px of the photo.
        rgb, at = photo.pixels(step * smallest / MARKER_LEAST_PX)
        finer = [one.times(step / at) for one in found]
        better = _measure(rgb, _lens(rgb.shape, photo.focal_eq_mm), finer, cropped)
        seen, step = (better, at) if better is not None else (seen, step)
    scale = _scale(seen, photo.focal_eq_mm is None, print_factor).times(step)
    return replace(scale, another_seen=marked.another_seen)


def _measure(rgb: np.ndarray, lens: Camera, found: list[Seen], cropped: bool) -> Settled | None:
    """Fit the camera to the markers, drop what isn't one, add those that are partly hidden."""
    poses, started, contradicted = starting_poses(lens, found, cropped=cropped)
    settled = _settle(rgb, poses, started, tuple(one.marker for one in found))
    if settled is None:
        return None
    if contradicted:
        fit = error_anew(rgb, settled.fit, started, settled.markers)
        return replace(settled, fit=fit, lens_doubted=True)
    return _lens_checked(rgb, settled, lens, cropped)


def _lens_checked(rgb: np.ndarray, settled: Settled, lens: Camera, cropped: bool) -> Settled:
    """Ask whether the photo is a crop, of which the noted lens tells little.

    One that looks `cropped` was taken as one from the start. Any other is gone on with as a crop
    only where the markers' edges say so; elsewhere what the two fits differ by joins the error.
    """
    if cropped:
        fit = error_anew(rgb, settled.fit, cropped_lens(lens), settled.markers)
        return replace(settled, fit=fit, lens_doubted=not bears_out(fit, lens))
    fit, rival, lone = settled.fit, settled.rival, len(settled.markers) == 1
    error = settled.scale_error()
    near = _SPREAD_NEAR * float(np.hypot(error, _PRINT_SIGMA))
    freed = fit_as_cropped(rgb, fit, lens, settled.markers, near=near)
    if freed is None or not plausible(freed.camera):
        return replace(settled, fit_error=error)
    told = (fit.misfit_px2 - freed.misfit_px2) / misfit_unit_px2(freed, lone)
    contradicted = told > _CROP_TOLD and no_mere_trim(freed.camera, lens)
    spread = foot_spread(fit.camera, freed.camera)
    if spread < near or not contradicted:
        spread = spread if spread >= near else 0.0
        return replace(settled, fit_error=error, spread=spread, lens_doubted=contradicted)
    if rival is not None:
        rival = fit_as_cropped(rgb, rival, lens, settled.markers)
        if rival is not None and rival.misfit_px2 < freed.misfit_px2:
            freed, rival = rival, freed
    return Settled(freed, rival, settled.markers, lens_doubted=True)


def _measure_outline(
    rgb: np.ndarray, lens: Camera, box: Box, least_overlap: float
) -> Settled | None:
    """Fit the camera to a card that only its outline gave away, if its pattern bears that out."""
    best: Settled | None = None
    every = tuple(MARKER_TOP_LEFT_MM)
    for found in outline_sets(rgb, box, least_overlap):
        mm, px = corner_pairs(found)
        poses = [fit_points(start, lens, mm, px)[0] for start in planar_poses(lens, mm, px)]
        settled = _settle(rgb, [pose for pose in poses if plausible(pose)], lens, every)
        if settled is None:
            continue
        # An outline is a px or two off: from where its edges led to, more of them are met.
        settled = _settle(rgb, [settled.fit.camera], lens, every) or settled
        camera, markers = settled.fit.camera, settled.markers
        looks_like = [pattern_agreement(rgb, camera, marker) for marker in markers]
        alike = sum(share >= _PATTERN_FLOOR_PREDICTED for share in looks_like)
        if alike >= _OUTLINE_LEAST and (best is None or len(markers) > len(best.markers)):
            best = settled
        if best is not None and len(best.markers) == len(every):
            break
    return best


def _settle(
    rgb: np.ndarray, poses: list[Camera], lens: Camera, markers: tuple[int, ...]
) -> Settled | None:
    """Fit from starting poses to the markers that look like their pattern."""
    fits = _fits(rgb, poses, lens, markers)
    if not fits:
        return None
    best = fits[0]
    agreement = {m: pattern_agreement(rgb, best.camera, m) for m in MARKER_TOP_LEFT_MM}
    floor = _PATTERN_FLOOR_ALONE if len(markers) == 1 else _PATTERN_FLOOR
    sound = [m for m in markers if agreement[m] >= floor]
    if not sound:
        return None
    hidden = [m for m in agreement if m not in markers and agreement[m] >= _PATTERN_FLOOR_PREDICTED]
    kept = tuple(sorted(sound + hidden))
    if kept != markers:
        fits = _fits(rgb, [fit.camera for fit in fits], lens, kept)
    if not fits or not plausible(fits[0].camera):
        return None
    return Settled(fits[0], fits[1] if len(fits) > 1 else None, kept)


def _fits(
    rgb: np.ndarray, cameras: list[Camera], lens: Camera, markers: tuple[int, ...]
) -> list[Fit]:
    """Fit from each start; best first."""
    rounds = rounds_for(lens)
    fits = [fit_card(rgb, camera, lens, markers, rounds) for camera in cameras]
    return sorted((fit for fit in fits if fit is not None), key=lambda fit: fit.misfit_px2)


# --------------------------------------------------------------------------- the answer


def _scale(settled: Settled, unnoted: bool, print_factor: float, together_px: float = 0.0) -> Scale:
    """Make the answer; `together_px` is by how much edges may err together all over the card."""
    camera, markers = settled.fit.camera, settled.markers
    corners_px = camera.project(card_corners_mm())
    doubts = [
        settled.scale_error(),
        settled.spread,
        together_px / float(np.linalg.norm(corners_px[3] - corners_px[0])),
        _PRINT_SIGMA,
        _LENS_SIGMA,
    ]
    mm_from_px = np.linalg.inv(camera.px_from_mm())
    mm_from_px = np.diag([print_factor, print_factor, 1.0]) @ mm_from_px
    return Scale(
        board_mm_from_px=mm_from_px / mm_from_px[2, 2],
        rotation=camera.rotation,
        translation_mm=camera.translation_mm * print_factor,
        focal_px=camera.focal_px,
        focal_assumed=unnoted or settled.lens_doubted,
        camera_center_px=camera.center_px,
        corners_px=corners_px,
        markers_found=len(markers),
        tilt_deg=float(np.degrees(np.arccos(np.clip(camera.rotation[2, 2], -1.0, 1.0)))),
        relative_error=float(np.sqrt(np.square(doubts).sum())),
    )
