"""Zones: parts of a field that grow unlike each other, told apart from above.

Cells of the field are joined, neighbours only, in the order that adds least to the sum of squares
within the parts (Ward 1963, J. Am. Stat. Assoc. 58:236-244, with his clusters kept in one piece).
Growth is measured in units that would matter on a walk: half a collar, leaf area half as much
again, 15 plants in 100 missing (our own choice). Neighbouring zones must differ by one such unit
and by four times what chance does; otherwise the field is even, and one zone.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.above.assembling import range_of
from collarvision.above.calibration import load_above_calibration
from collarvision.walk.cells import FAR_M, Cells
from collarvision.walk.flight import Flight

MOST_ZONES: Final = 5
LETTERS: Final = "ABCDE"

_UNITS: Final = np.array([0.5, np.log(1.5), 0.15])
_SMALLEST: Final = 0.04  # share of the field: smaller parts aren't worth a stop of their own
_LEAST_GAIN: Final = 0.08  # share of all unlikeness that one more zone must explain
_SURE: Final = 4.0
_MUCH_UNSEEN: Final = 0.1  # share of the field


@dataclass(frozen=True)
class Zone:
    """A part of the field, with what was seen of it from above.

    Attributes
    ----------
    letter : str
        ``A`` is the most advanced.
    share : float
        Of the field's plants.
    area_m2 : float
    seen : int
        Plants seen from above.
    collars : float
        Mean collars to expect on a plant, from its leaf tips.
    tips, canopy_mm2, missing : float
        Mean tips and leaf area from above of a plant; share of plants missing in gaps.
    stages : tuple of float
        Probability of VE, V1 ... V12 of a plant drawn from it.
    """

    letter: str
    share: float
    area_m2: float
    seen: int
    collars: float
    tips: float
    canopy_mm2: float
    missing: float
    stages: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Zones:
    """A field's zones, the most advanced first, and which one each cell is in."""

    cells: Cells
    zone: np.ndarray
    zones: tuple[Zone, ...]
    sentence: str

    def __len__(self) -> int:
        return len(self.zones)

    def at(self, points_m: np.ndarray) -> np.ndarray:
        """Index of the zone at each of (n, 2) points, (n,)."""
        return np.asarray(self.zone[self.cells.at(points_m)])


def range_seen(stages: np.ndarray | Sequence[float]) -> tuple[int, int]:
    """Give the stages that 90 in 100 plants should lie in, by probabilities from above alone.

    As `collarvision above` tells them: ranges of whole stages hold more than they are asked for,
    so its calibration asks for less, and one field would else be told in two ways.
    """
    found = range_of(np.asarray(stages)[None], load_above_calibration())
    return found.low, found.high


def find_zones(flight: Flight, cells: Cells) -> Zones:
    """Tell zones of unlike growth apart, `MOST_ZONES` at most; one where the field is even."""
    growth = _growth(cells)
    parts = _parts(cells, growth, MOST_ZONES)
    order = sorted(np.unique(parts), key=lambda k: -float(np.average(cells.collars[parts == k])))
    zone = np.empty(len(parts), int)
    for number, part in enumerate(order):
        zone[parts == part] = number
    zones = tuple(_zone(cells, zone, number) for number in range(len(order)))
    return Zones(cells, zone, zones, _sentence(zones, cells))


def _growth(cells: Cells) -> np.ndarray:
    """Growth of each cell in units that matter, (c, 3)."""
    return np.column_stack([cells.collars, np.log(cells.canopy_mm2), cells.missing]) / _UNITS


def _parts(cells: Cells, growth: np.ndarray, most: int) -> np.ndarray:
    """Label of each cell: the most parts that are still unlike each other."""
    cuts = _ward(cells, growth, most)
    whole = _within(growth, np.zeros(len(growth), int))
    before = {count: _within(growth, labels) for count, labels in cuts.items()}
    for count in range(min(most, max(cuts)), 1, -1):
        gain = before[count - 1] - before[count]
        if gain >= _LEAST_GAIN * whole and _all_unlike(cells, growth, cuts[count]):
            return cuts[count]
    return cuts[1]


def _ward(cells: Cells, growth: np.ndarray, most: int) -> dict[int, np.ndarray]:
    """Labels for 1 ... `most` parts in one piece each, by joining the least unlike neighbours."""
    count = len(growth)
    mean = {k: growth[k] for k in range(count)}
    size = dict.fromkeys(range(count), 1)
    beside: dict[int, set[int]] = defaultdict(set)
    for a, b in _connected(cells):
        beside[int(a)].add(int(b))
        beside[int(b)].add(int(a))

    def cost(a: int, b: int) -> float:
        gap = mean[a] - mean[b]
        return float(size[a] * size[b] / (size[a] + size[b]) * (gap @ gap))

    heap = [(cost(a, b), a, b) for a in beside for b in beside[a] if a < b]
    heapq.heapify(heap)
    parent = list(range(2 * count))
    smallest = _SMALLEST * count
    cuts: dict[int, np.ndarray] = {}
    following = count

    def note() -> None:
        if len(mean) > most:
            return
        if len(mean) == 1 or all(size[k] >= smallest for k in mean):
            cuts[len(mean)] = _labels(parent, count)

    note()
    while len(mean) > 1:
        small = [k for k in mean if size[k] < smallest] if len(mean) <= 4 * most else []
        if small:
            # What is too small for a zone goes to the neighbour that is most like it.
            a = min(small, key=lambda k: size[k])
            b = min(beside[a], key=lambda k: cost(a, k))
        else:
            _, a, b = heapq.heappop(heap)
            if a not in mean or b not in mean:
                continue
        new, following = following, following + 1
        mean[new] = (size[a] * mean[a] + size[b] * mean[b]) / (size[a] + size[b])
        size[new] = size[a] + size[b]
        near = (beside.pop(a) | beside.pop(b)) - {a, b}
        for old in (a, b):
            parent[old] = new
            del mean[old], size[old]
        for other in near:
            beside[other] -= {a, b}
            beside[other].add(new)
            heapq.heappush(heap, (cost(other, new), other, new))
        beside[new] = near
        note()
    return cuts


def _connected(cells: Cells) -> np.ndarray:
    """Neighbouring cells, and a bridge from each separate part of the field to the nearest one."""
    pairs = cells.neighbours()
    points = cells.points_m
    while True:
        group = _components(len(cells), pairs)
        if group.max() == 0:
            return pairs
        alone = np.flatnonzero(group == group.max())
        others = np.flatnonzero(group != group.max())
        gap2 = ((points[alone, None] - points[others]) ** 2).sum(axis=2)
        a, b = np.unravel_index(gap2.argmin(), gap2.shape)
        pairs = np.vstack([pairs, [alone[a], others[b]]])


def _components(count: int, pairs: np.ndarray) -> np.ndarray:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    edges = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(edges, directed=False)[1])


def _labels(parent: list[int], count: int) -> np.ndarray:
    roots = []
    for k in range(count):
        while parent[k] != k:
            k = parent[k]
        roots.append(k)
    return np.unique(roots, return_inverse=True)[1]


def _within(growth: np.ndarray, labels: np.ndarray) -> float:
    """Sum of squares within parts."""
    return sum(
        float(((part - part.mean(axis=0)) ** 2).sum())
        for k in np.unique(labels)
        for part in [growth[labels == k]]
    )


def _all_unlike(cells: Cells, growth: np.ndarray, labels: np.ndarray) -> bool:
    """Whether every two neighbouring parts differ by what matters, and by more than chance."""
    touching = labels[cells.neighbours()]
    touching = np.unique(np.sort(touching[touching[:, 0] != touching[:, 1]], axis=1), axis=0)
    parts = {k: growth[labels == k] for k in np.unique(labels)}
    # A part's mean is as good as the places seen in it are many.
    places = np.bincount(labels[cells.at(cells.places_m)], minlength=int(labels.max()) + 1)
    error2 = (cells.error / _UNITS) ** 2
    for a, b in touching:
        gap = parts[a].mean(axis=0) - parts[b].mean(axis=0)
        far = float(np.linalg.norm(gap))
        if far < 1.0:
            return False
        doubt2 = error2 * (1 / max(places[a], 1) + 1 / max(places[b], 1))
        # Error along the way that the two parts differ.
        if far < _SURE * float(np.sqrt((doubt2 * gap**2).sum())) / far:
            return False
    return True


def _zone(cells: Cells, zone: np.ndarray, number: int) -> Zone:
    own = zone == number
    weight = cells.weight[own] / cells.weight[own].sum()

    def mean(values: np.ndarray) -> float:
        return float(values[own] @ weight)

    return Zone(
        letter=LETTERS[number],
        share=float(cells.weight[own].sum()),
        area_m2=float(own.sum()) * cells.side_m**2,
        seen=int(cells.plants[own].sum()),
        collars=mean(cells.collars),
        tips=mean(cells.tips),
        canopy_mm2=float(np.exp(mean(np.log(cells.canopy_mm2)))),
        missing=mean(cells.missing),
        stages=tuple(float(p) for p in weight @ cells.stages[own]),
    )


def _sentence(zones: tuple[Zone, ...], cells: Cells) -> str:
    seen = f"{cells.seen.mean():.0%} of the field was seen from above"
    if cells.far > _MUCH_UNSEEN:
        seen += (
            f"; {cells.far:.0%} of it lies over {FAR_M:.0f} m from any photo, and what is said of "
            "that is a guess"
        )
    if len(zones) == 1:
        return (
            f"Even from above ({seen}): no part differs from the rest by half a collar, by half "
            "its leaf area or by 15 missing plants in 100, so it is one zone."
        )
    first, last = zones[0], zones[-1]
    return (
        f"{len(zones)} zones of unlike growth ({seen}): from about {first.collars:.1f} collars in "
        f"zone {first.letter} to {last.collars:.1f} in zone {last.letter}, by leaf tips."
    )
