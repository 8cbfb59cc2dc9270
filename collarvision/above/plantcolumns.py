"""Plant columns: the plants of a photo from above, one by one and as columns of arrays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

STAGE_COUNT = 13
"""VE, V1 ... V12."""


@dataclass(frozen=True)
class PlantAbove:
    """One plant from above: a row of `Plants`.

    Attributes
    ----------
    x_px, y_px : float
        Centre, px of the upright photo (of the orthomosaic).
    x_m, y_m : float
        Centre, local metres.
    lat, lon : float or None
    score : float
        Network's peak at the centre, 0..1.
    tips : int
        Leaf tips seen.
    tip_count : float
        Leaf tips that the plant has, as the network estimates them: the hidden ones too.
    tip_points_px : tuple of (x, y)
    canopy_mm2 : float
        Leaf area as seen from above.
    double : float
        P(it is two plants so close that they show one centre).
    row : int or None
        Index into the frame's rows; None off every row.
    place_in_row_m : float or None
        Along the row, from its start.
    stage_probabilities : tuple of float
        P(VE), P(V1) ... P(V12).
    """

    x_px: float
    y_px: float
    x_m: float
    y_m: float
    lat: float | None
    lon: float | None
    score: float
    tips: int
    tip_count: float
    tip_points_px: tuple[tuple[float, float], ...]
    canopy_mm2: float
    double: float
    row: int | None
    place_in_row_m: float | None
    stage_probabilities: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Plants(Sequence[PlantAbove]):
    """Plants as columns (an orthomosaic holds some hundred thousand); a sequence of `PlantAbove`.

    Attributes
    ----------
    x_px, y_px, x_m, y_m, lat, lon : ndarray, (n,) float64
        `lat` and `lon` are NaN where unknown.
    score, tip_count, canopy_mm2, double, place_in_row_m : ndarray, (n,) float32
        `place_in_row_m` is NaN off every row.
    tips, row : ndarray, (n,) int32
        `row` is -1 off every row.
    stage_probabilities : ndarray, (n, 13) float32
        Rows sum to 1.
    tip_x_px, tip_y_px : ndarray, (k,) float32
        All plants' tips, one plant's after another's.
    tip_start : ndarray, (n + 1,) int64
        Plant i's tips are ``tip_x_px[tip_start[i]:tip_start[i + 1]]``.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    score: np.ndarray
    tips: np.ndarray
    tip_count: np.ndarray
    canopy_mm2: np.ndarray
    double: np.ndarray
    row: np.ndarray
    place_in_row_m: np.ndarray
    stage_probabilities: np.ndarray
    tip_x_px: np.ndarray
    tip_y_px: np.ndarray
    tip_start: np.ndarray

    def __len__(self) -> int:
        return len(self.x_px)

    def __getitem__(self, at: Any) -> Any:
        """Plant `at` as a `PlantAbove`; a slice, mask or list of indices as `Plants`."""
        if isinstance(at, int | np.integer):
            return self._one(range(len(self))[int(at)])
        return self._some(np.arange(len(self))[at])

    def __iter__(self) -> Iterator[PlantAbove]:
        return (self._one(i) for i in range(len(self)))

    @property
    def located(self) -> bool:
        """Whether the plants' places on the earth are known."""
        return len(self) > 0 and bool(np.isfinite(self.lat).all())

    @property
    def expected(self) -> float:
        """Number of plants, doubles counted by their probability."""
        return float(len(self) + self.double.sum())

    def _one(self, i: int) -> PlantAbove:
        tips = slice(self.tip_start[i], self.tip_start[i + 1])
        known = np.isfinite(self.lat[i])
        on_row = self.row[i] >= 0
        return PlantAbove(
            x_px=float(self.x_px[i]),
            y_px=float(self.y_px[i]),
            x_m=float(self.x_m[i]),
            y_m=float(self.y_m[i]),
            lat=float(self.lat[i]) if known else None,
            lon=float(self.lon[i]) if known else None,
            score=float(self.score[i]),
            tips=int(self.tips[i]),
            tip_count=float(self.tip_count[i]),
            tip_points_px=tuple(
                (float(x), float(y))
                for x, y in zip(self.tip_x_px[tips], self.tip_y_px[tips], strict=True)
            ),
            canopy_mm2=float(self.canopy_mm2[i]),
            double=float(self.double[i]),
            row=int(self.row[i]) if on_row else None,
            place_in_row_m=float(self.place_in_row_m[i]) if on_row else None,
            stage_probabilities=tuple(float(p) for p in self.stage_probabilities[i]),
        )

    def _some(self, which: np.ndarray) -> Plants:
        counts = np.diff(self.tip_start)[which]
        start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        # Each kept tip's index: its plant's first, and on from there.
        tips = np.repeat(self.tip_start[:-1][which] - start[:-1], counts) + np.arange(start[-1])
        return Plants(
            **{name: getattr(self, name)[which] for name in PLANT_COLUMNS},
            tip_x_px=self.tip_x_px[tips],
            tip_y_px=self.tip_y_px[tips],
            tip_start=start,
        )


PLANT_COLUMNS = (
    "x_px",
    "y_px",
    "x_m",
    "y_m",
    "lat",
    "lon",
    "score",
    "tips",
    "tip_count",
    "canopy_mm2",
    "double",
    "row",
    "place_in_row_m",
    "stage_probabilities",
)


def no_plants() -> Plants:
    """Give `Plants` of none."""
    none = np.zeros(0, np.float32)
    wide = np.zeros(0, np.float64)
    return Plants(
        x_px=wide,
        y_px=wide,
        x_m=wide,
        y_m=wide,
        lat=wide,
        lon=wide,
        score=none,
        tips=np.zeros(0, np.int32),
        tip_count=none,
        canopy_mm2=none,
        double=none,
        row=np.zeros(0, np.int32),
        place_in_row_m=none,
        stage_probabilities=np.zeros((0, STAGE_COUNT), np.float32),
        tip_x_px=none,
        tip_y_px=none,
        tip_start=np.zeros(1, np.int64),
    )
