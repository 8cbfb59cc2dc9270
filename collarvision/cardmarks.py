"""Card marks: where the scale card's four markers are in a photo, to a px or so.

The markers are OpenCV's ArUco dictionary DICT_4X4_50, ids 0-3, where `collarvision.cardfit` says.
Easy photos cost one search. Only where it fails are harder ones made: with white that has bled
into black pushed back (a bright card in the sun), with small markers enlarged, with looser bits
(noise, a dark photo). A looser search finds more that is no marker; `collarvision.card` believes
none that doesn't look like its pattern. Photo px have their centres at integers + 0.5; OpenCV's
detector has them at integers, and is converted once, in `_markers_in`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from collarvision.cardfit import CARD_MM, MARKER_TOP_LEFT_MM, marker_corners_mm
from collarvision.looks import Box

_ENLARGE_MOST = 2.5
_NEAR_MARKER_PX = 80.0
"""Side of a marker in the search beside the ones already found: 13 px a module."""
_NEAR_MOST_PX = 1200
_NEAR_MARGIN = 0.25  # of the card's size: a lone marker foretells the rest of the card badly


@dataclass(frozen=True)
class Seen:
    """A marker as the detector saw it: id, corners (4, 2) TL TR BR BL in photo px, side in px."""

    marker: int
    corners: np.ndarray
    side_px: float

    @classmethod
    def at(cls, marker: int, corners: np.ndarray) -> Seen:
        """The marker with these corners."""
        return cls(marker, corners, float(np.sqrt(cv2.contourArea(corners.astype(np.float32)))))

    def times(self, factor: float) -> Seen:
        """The marker in a picture of `factor` times as many px."""
        return Seen(self.marker, self.corners * factor, self.side_px * factor)


@dataclass(frozen=True)
class Marked:
    """Markers that can lie on one card, and whether a second card shows beside it."""

    markers: list[Seen]
    another_seen: bool = False


@dataclass(frozen=True)
class Search:
    """One way to search a photo.

    `side_px` is the long side it is brought to, `patient` whether bits and borders may be doubtful
    and small or badly lit markers are looked for, `erode` the size of the darkest-neighbour filter
    that takes back what white has bled into black, `whole` whether all four markers are wanted.
    """

    side_px: int
    patient: bool = False
    erode: int = 1
    whole: bool = False


EASY = (Search(1000, whole=True), Search(1600))
"""Searches for a card that is plain to see; the first of them costs half of the second."""

HARD = (
    Search(1920, patient=True, erode=3),
    Search(800),
    Search(1920, patient=True, erode=7),
    Search(1920, patient=True),
)
"""Searches for one that isn't, four times as costly together."""
_NEARBY = (Search(0, patient=True), Search(0, patient=True, erode=5))

_BOXED = (
    Search(600, patient=True, erode=3),
    Search(400, patient=True, erode=3),
    Search(900, patient=True),
)
"""Searches of a card's surroundings alone, brought to these sizes. Of six cards of 60 to 150 px on
own photos that nothing else had found the first of them shows five."""

_ELSEWHERE = 0.5  # sides of a marker: what is farther from its place is on no card found
_AROUND_BOX = 0.3  # of the box's larger side: the network's boxes are a cell or two off
_MOST_STRETCHED = 6.0


def marker_sets(grey: np.ndarray, searches: Sequence[Search]) -> Iterator[Marked]:
    """Sets of markers that can lie on one card, from one search after the other.

    Parameters
    ----------
    grey : ndarray, (H, W) uint8
    searches : sequence of Search
    """
    brought: dict[int, tuple[np.ndarray, np.ndarray]] = {}  # most hard searches share a size
    for search in searches:
        side_px = _side_px(grey, search)
        if side_px not in brought:
            brought[side_px] = _resized(grey, side_px)
        seen = _markers_in(*brought[side_px], np.zeros(2), search)
        found = _consistent(seen)
        if search.whole and len(found) < len(MARKER_TOP_LEFT_MM):
            continue
        if found and len(found) < len(MARKER_TOP_LEFT_MM):
            found = _consistent(found + _detect_nearby(grey, found))
        if found:
            yield Marked(found, _shows_another(seen, found))


def marker_sets_in(grey: np.ndarray, box: Box) -> Iterator[Marked]:
    """Sets of markers that can lie on one card, from searches of a box's surroundings alone.

    Parameters
    ----------
    grey : ndarray, (H, W) uint8
    box : (x0, y0, x1, y1)
        Where a card is thought to be, px of `grey`.
    """
    x0, y0, x1, y1 = box
    reach = _AROUND_BOX * max(x1 - x0, y1 - y0)
    left, top = int(max(0, x0 - reach)), int(max(0, y0 - reach))
    part = grey[top : max(0, int(y1 + reach)), left : max(0, int(x1 + reach))]
    if min(part.shape) < 16:
        return
    corner = np.array([left, top], dtype=float)
    for search in _BOXED:
        small, stretch = _resized(
            part, min(search.side_px, round(_MOST_STRETCHED * max(part.shape)))
        )
        seen = _markers_in(small, stretch, corner, search)
        found = _consistent(seen)
        if found:
            yield Marked(found, _shows_another(seen, found))


def _side_px(grey: np.ndarray, search: Search) -> int:
    """Long side that a photo is brought to: `search.side_px`, or what it may be enlarged to."""
    most = round(_ENLARGE_MOST * max(grey.shape)) if search.patient else max(grey.shape)
    return min(search.side_px, most)


def _detect_nearby(grey: np.ndarray, found: list[Seen]) -> list[Seen]:
    """Search once more where the rest of the card must be, its markers brought to a good size."""
    homography = _homography(found)
    if homography is None:
        return []
    width, height = CARD_MM
    margin = _NEAR_MARGIN * (width if len(found) > 1 else 2 * width)
    low, high = np.array([-margin, -margin]), np.array([width + margin, height + margin])
    outline = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    corners = _apply(homography, outline)
    if not np.isfinite(corners).all():
        return []
    size = np.array(grey.shape[::-1])
    left, top = np.clip(np.floor(corners.min(axis=0)), 0, size - 1).astype(int)
    right, bottom = np.clip(np.ceil(corners.max(axis=0)), 1, size).astype(int)
    part = grey[top:bottom, left:right]
    if min(part.shape) < 16:
        return []
    factor = _NEAR_MARKER_PX / float(np.mean([one.side_px for one in found]))
    side_px = min(factor * max(part.shape), _NEAR_MOST_PX, 4 * max(part.shape))
    small, stretch = _resized(part, max(16, round(side_px)))
    corner = np.array([left, top], dtype=float)
    return [one for how in _NEARBY for one in _markers_in(small, stretch, corner, how)]


def _markers_in(
    small: np.ndarray, stretch: np.ndarray, corner: np.ndarray, search: Search
) -> list[Seen]:
    """Markers in a picture whose px (0, 0) starts at photo px `corner`, each `stretch` px wide."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 3
    parameters.minMarkerPerimeterRate = 0.02
    if search.patient:
        parameters.adaptiveThreshWinSizeMin = 5
        parameters.adaptiveThreshWinSizeMax = 45
        parameters.adaptiveThreshWinSizeStep = 20
        parameters.minOtsuStdDev = 1.5  # a dark photo's black and white are a few levels apart
        parameters.adaptiveThreshConstant = 5
        parameters.polygonalApproxAccuracyRate = 0.05
        parameters.perspectiveRemoveIgnoredMarginPerCell = 0.2
        parameters.errorCorrectionRate = 1.0
        parameters.maxErroneousBitsInBorderRate = 0.6
    if search.erode > 1:
        small = cv2.erode(small, np.ones((search.erode, search.erode), np.uint8))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(small)
    if not corners:
        return []
    seen = []
    for marker, quad in zip(ids.ravel(), corners, strict=True):
        if int(marker) in MARKER_TOP_LEFT_MM:
            at = (quad.reshape(4, 2).astype(float) + 0.5) * stretch + corner
            seen.append(Seen.at(int(marker), at))
    return seen


def _resized(grey: np.ndarray, side_px: int) -> tuple[np.ndarray, np.ndarray]:
    """Bring the long side to `side_px`; also gives how much (x, y) one px of it spans."""
    stretch = np.ones(2)
    while max(grey.shape) >= 2 * side_px and min(grey.shape) > 1:
        # Halving is the one averaging size that OpenCV does at memory speed.
        height, width = grey.shape[0] // 2, grey.shape[1] // 2
        grey = cv2.resize(
            grey[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA
        )
        stretch *= 2
    if max(grey.shape) != side_px:
        factor = side_px / max(grey.shape)
        size = (max(1, round(grey.shape[1] * factor)), max(1, round(grey.shape[0] * factor)))
        stretch *= np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
        how = cv2.INTER_LINEAR if factor < 1 else cv2.INTER_CUBIC
        grey = cv2.resize(grey, size, interpolation=how)
    return grey, stretch


def _consistent(seen: list[Seen]) -> list[Seen]:
    """Largest set of markers that can lie on one card; the nearer card where two are equal.

    Another card in the picture, or a pattern that only looks like a marker, falls out here.
    """
    best: list[Seen] = []
    for seed in seen:
        chosen = {seed.marker: seed}
        for _ in range(2):  # the second time from all of the first set
            homography = _homography(list(chosen.values()))
            if homography is None:
                break
            loose = 0.5 if len(chosen) == 1 else 0.25
            chosen = _agreeing(seen, homography, loose) or chosen
        ranked = sorted(chosen.values(), key=lambda one: one.marker)
        if (len(ranked), sum(s.side_px for s in ranked)) > (
            len(best),
            sum(s.side_px for s in best),
        ):
            best = ranked
    return best


def _shows_another(seen: list[Seen], found: list[Seen]) -> bool:
    """Whether two or more markers lie on a second card, one of them of an id that is found already.

    Markers of a bent card may not agree with the rest, but each of them is there once.
    """
    homography = _homography(found)
    if homography is None:
        return False
    second = _consistent([one for one in seen if _away(one, homography) > _ELSEWHERE])
    known = {one.marker for one in found}
    return len(second) > 1 and any(one.marker in known for one in second)


def _away(one: Seen, homography: np.ndarray) -> float:
    """How far a marker is from where it should be, in its sides."""
    expected = _apply(homography, marker_corners_mm(one.marker))
    return float(np.linalg.norm(expected - one.corners, axis=1).mean()) / one.side_px


def _agreeing(seen: list[Seen], homography: np.ndarray, tolerance: float) -> dict[int, Seen]:
    """Of each id the marker nearest to where it should be, within a share of its side."""
    chosen: dict[int, tuple[float, Seen]] = {}
    for one in seen:
        away = _away(one, homography)
        if away < tolerance and away < chosen.get(one.marker, (np.inf, one))[0]:
            chosen[one.marker] = (away, one)
    return {marker: one for marker, (_, one) in chosen.items()}


def card_corners_mm() -> np.ndarray:
    """The card's corners TL, TR, BR, BL, mm, (4, 2)."""
    width, height = CARD_MM
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def corner_pairs(seen: list[Seen]) -> tuple[np.ndarray, np.ndarray]:
    """Corners of markers, mm on the card and photo px, (4 n, 2) each."""
    mm = np.concatenate([marker_corners_mm(one.marker) for one in seen])
    return mm, np.concatenate([one.corners for one in seen])


def _homography(seen: list[Seen]) -> np.ndarray | None:
    mm, px = corner_pairs(seen)
    homography, _ = cv2.findHomography(mm, px, 0)
    return homography


def _apply(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])
