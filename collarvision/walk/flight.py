"""Flight: a field's plants from above on one plane, or a sentence on why they can't be walked by.

Metres are east and north on the plane of the field's outline. A flight without a place on the earth
keeps the metres of its own photo; its stops are then told by rows and paces.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from collarvision.above.assembling import OLDER_THAN_TOLD
from collarvision.above.fields import is_bare, is_closed
from collarvision.above.oneflight import of_one_flight
from collarvision.boundary import Boundary, metres_a_degree, within_180
from collarvision.walk.closed import closed_places
from collarvision.walk.leftout import (
    closed_unplaced,
    look_there_notes,
    unlisted_note,
    why_few,
)

if TYPE_CHECKING:
    from collarvision.above.values import FieldAbove, FrameAbove, Plants

FEWEST_PLANTS: Final = 100
"""Fewer tell no zones; a twenty-megapixel photo from 10 m shows more than that. Our own choice."""

GOOD_DAYS: Final = 7
"""Corn makes a leaf in three to five days: after a week the flight shows another field.

Some 74 °F-days a leaf (`collarvision.heat` has the sources) and 15 to 25 a day. Our own choice of a
limit.
"""

_SEE_DAY: Final = "see that it was flown within a week of the walk."

_INSIDE: Final = 0.5  # share of plants that must lie in the outline
HULL_M: Final = 5.0
"""How far the hull of a field without an outline reaches past its plants."""


class FlightError(ValueError):
    """A flight that no walk can go by; `str` is one sentence that says what to do."""


@dataclass(frozen=True, eq=False)
class Flight:
    """A field as seen from above.

    Attributes
    ----------
    boundary : Boundary
        The field's outline; the convex hull of the plants where none was given. Its plane is that
        of all metres here.
    outlined : bool
        Whether the outline was given.
    located : bool
        Whether the plane's place on the earth is known.
    day : date or None
        Of the newest photo that says.
    x_m, y_m : (n,) float
        Plants inside the outline.
    stages : (n, 13) float
        Probability of VE, V1 ... V12 of each plant.
    tip_count, canopy_mm2, row, place_in_row_m : (n,) float
        As in `collarvision.above.values.Plants`; `row` is -1 off every row.
    frame : (n,) int
        Number of the photo.
    gap_x_m, gap_y_m, gap_missing : (k,) float
        Middles of gaps in rows inside the outline, and the plants missing there.
    photos : tuple of str
    notes : tuple of str
        Sentences for the user.
    closed_m : tuple of (k, 2) float
        Photos of places where leaves close over the rows, older than any zone: the first of each
        is the one to walk to.
    closed_unplaced : int
        Photos that show such leaves nobody knows where.
    """

    boundary: Boundary
    outlined: bool
    located: bool
    day: date | None
    x_m: np.ndarray
    y_m: np.ndarray
    stages: np.ndarray
    tip_count: np.ndarray
    canopy_mm2: np.ndarray
    row: np.ndarray
    place_in_row_m: np.ndarray
    frame: np.ndarray
    gap_x_m: np.ndarray
    gap_y_m: np.ndarray
    gap_missing: np.ndarray
    photos: tuple[str, ...]
    notes: tuple[str, ...] = ()
    closed_m: tuple[np.ndarray, ...] = ()
    closed_unplaced: int = 0

    def __len__(self) -> int:
        return len(self.x_m)

    @property
    def collars(self) -> np.ndarray:
        """Collars to expect on each plant, (n,).

        The field's mean is that of the stage probabilities. How plants differ is by their tips
        alone, one collar a tip: the probabilities draw each plant towards the others of its field,
        which is right for one plant and would make zones look alike.
        """
        mean = float(self.stages.mean(axis=0) @ np.arange(self.stages.shape[1]))
        return np.asarray(mean + self.tip_count - self.tip_count.mean())


def read_flight(folder: Path, boundary: Boundary | None = None) -> Flight:
    """Read what `collarvision above --out` wrote.

    Parameters
    ----------
    folder : Path
        That folder, or any file in it.
    boundary : Boundary, optional

    Raises
    ------
    FlightError
    """
    from collarvision.abovereport.files import AboveFileError, load_field

    try:
        field = load_field(folder)
    except AboveFileError as error:
        raise FlightError(str(error)) from error
    return flight_of(field, boundary)


def flight_of(field: FieldAbove, boundary: Boundary | None = None) -> Flight:
    """Put a field's photos from above on one plane.

    Raises
    ------
    FlightError
        Without plants, with too few, of another field, or of several photos that have no place.
    """
    every, other_days = of_one_flight(field.frames)
    shown = [one for one in every if one.plants is not None and len(one.plants)]
    frames = [one for one in shown if not is_bare(one)] or shown
    # A survey's record tells the stages of a photo with thousands of plants and doesn't list them.
    unlisted = sum(one.plants is None and one.stages is not None for one in field.frames)
    if not frames and unlisted:
        raise FlightError(unlisted_note(unlisted))
    if not frames:
        reasons = [one.reasons[-1] for one in every if is_closed(one) and one.reasons]
        reasons += [one.reasons[0] for one in field.frames if one.reasons]
        raise FlightError(
            f"The flight shows no plants to walk by: {[*reasons, 'fly again, lower.'][0]} "
            "Until then `collarvision plan --boundary` chooses stops without a flight."
        )
    placed = [one for one in frames if one.georeference is not None]
    notes = [*([unlisted_note(unlisted)] if unlisted else []), *other_days]
    # What must be walked to first is said first.
    notes = [*look_there_notes(every, boundary), *notes]
    if any("old" in one.quality for one in frames):
        notes.append(OLDER_THAN_TOLD)
    if placed:
        if len(placed) < len(frames):
            unplaced = len(frames) - len(placed)
            has, left = ("has", "is") if unplaced == 1 else ("have", "are")
            notes.append(
                f"{unplaced} of {len(frames)} photos from above {has} no place and {left} left out."
            )
        closed = closed_places(every, boundary)
        flight = _located(placed, boundary, notes, closed)
        return replace(
            flight,
            closed_m=tuple(np.column_stack(flight.boundary.metres(*one.T)) for one in closed),
            closed_unplaced=closed_unplaced(every),
        )
    if len(frames) > 1:
        raise FlightError(
            f"The {len(frames)} photos have no place on the earth, so they can't be put together: "
            "give photos with GPS or an orthomosaic. One photo alone can be walked by its rows."
        )
    notes.append(
        "The photo has no place on the earth: stops are given by row and paces along it"
        + (", and the field's outline is not used." if boundary is not None else ".")
    )
    frame = frames[0]
    plants = frame.plants
    assert plants is not None
    x, y = np.array(plants.x_m), np.array(plants.y_m)
    gaps = np.array(
        [((g.start_m[0] + g.end_m[0]) / 2, (g.start_m[1] + g.end_m[1]) / 2) for g in frame.gaps]
    ).reshape(-1, 2)
    missing = np.array([g.missing for g in frame.gaps], float)
    return _flight(
        [frame], [plants], x, y, gaps, missing, _hull(x, y, (0.0, 0.0)), False, False, notes
    )


def _located(
    frames: list[FrameAbove],
    boundary: Boundary | None,
    notes: list[str],
    closed: tuple[np.ndarray, ...],
) -> Flight:
    """Photos with a place; plants without one of their own stand at their photo's middle."""
    places, gap_places, missing = [], [], []
    unturned = 0
    for frame in frames:
        plants, middle = frame.plants, frame.georeference
        assert plants is not None
        assert middle is not None
        if not plants.located:
            unturned += 1
        lat = np.where(np.isfinite(plants.lat), plants.lat, middle.lat)
        lon = np.where(np.isfinite(plants.lon), plants.lon, middle.lon)
        places.append(np.column_stack([lat, lon]))
        for gap in frame.gaps:
            start, end = gap.start_lat_lon, gap.end_lat_lon
            gap_places.append(
                (middle.lat, middle.lon)
                if start is None or end is None
                else ((start[0] + end[0]) / 2, start[1] + within_180(end[1] - start[1]) / 2)
            )
            missing.append(float(gap.missing))
    if unturned:
        notes.append(
            "1 photo doesn't say which way it looks: its plants count at its middle."
            if unturned == 1
            else f"{unturned} photos don't say which way they look: their plants count at the "
            "photo's middle."
        )
    degrees = np.concatenate(places)
    gap_degrees = np.array(gap_places).reshape(-1, 2)
    outlined = boundary is not None
    origin = boundary.origin if boundary is not None else _middle(degrees)
    scale = np.array(metres_a_degree(origin[0]))
    y, x = (within_180(degrees - origin) * scale).T
    gaps = (within_180(gap_degrees - origin) * scale)[:, ::-1]
    if boundary is None:
        # Ground with closed leaves is the field's too, though no plant was told apart on it.
        around = within_180(np.concatenate([degrees, *closed]) - origin) * scale
        boundary = _hull(around[:, 1], around[:, 0], origin)
        notes.append(
            "Without the field's outline the zones end where the photos do: give it to `walk` "
            "with --boundary, or to the survey with `batch --fields`."
        )
    inside = boundary.inside(np.column_stack([x, y]))
    if not inside.any():
        away = float(boundary.edge_distance(np.array([[np.median(x), np.median(y)]]))[0])
        raise FlightError(
            f"The flight lies {far_words(away)} outside {boundary.name or 'the field'}: it is of "
            "another field, or the outline is. Give the one that belongs to it."
        )
    if inside.mean() < _INSIDE:
        raise FlightError(
            f"Only {inside.mean():.0%} of the flight's plants lie in {boundary.name or 'the field'}"
            ": check that flight and outline are of the same field."
        )
    if outlined and not inside.all():
        left_out = int((~inside).sum())
        lies, left = ("lies", "is") if left_out == 1 else ("lie", "are")
        notes.append(
            f"{_plants(left_out)} from above {lies} outside the outline and {left} left out."
        )
    kept = [one.plants for one in frames if one.plants is not None]
    return _flight(frames, kept, x, y, gaps, np.array(missing), boundary, outlined, True, notes)


def _middle(degrees: np.ndarray) -> tuple[float, float]:
    """Middle of (n, 2) latitudes and longitudes, on both sides of the 180th meridian too."""
    if np.ptp(degrees[:, 1]) > 180.0:
        degrees = degrees[0] + within_180(degrees - degrees[0])
    lat, lon = np.median(degrees, axis=0)
    return float(lat), within_180(float(lon))


def _flight(
    frames: list[FrameAbove],
    plants: list[Plants],
    x: np.ndarray,
    y: np.ndarray,
    gaps: np.ndarray,
    missing: np.ndarray,
    boundary: Boundary,
    outlined: bool,
    located: bool,
    notes: list[str],
) -> Flight:
    inside = boundary.inside(np.column_stack([x, y]))
    shown = int(inside.sum())
    if shown < FEWEST_PLANTS:
        raise FlightError(
            f"The flight shows {_plants(shown)} of the field: under {FEWEST_PLANTS} tell "
            "nothing of where to walk. Fly more of it, or use `collarvision plan --boundary`."
            + why_few(notes)
        )
    own = boundary.inside(gaps)
    number = np.repeat(np.arange(len(plants)), [len(one) for one in plants])

    def column(name: str) -> np.ndarray:
        return np.concatenate([np.asarray(getattr(one, name)) for one in plants])[inside]

    days = sorted(day for one in frames if (day := one.day) is not None)
    doubt = _doubt_of_day(frames, days[-1] if days else None)
    return Flight(
        boundary=boundary,
        outlined=outlined,
        located=located,
        day=days[-1] if days else None,
        x_m=x[inside],
        y_m=y[inside],
        stages=column("stage_probabilities").astype(float),
        tip_count=column("tip_count").astype(float),
        canopy_mm2=column("canopy_mm2").astype(float),
        row=column("row"),
        place_in_row_m=column("place_in_row_m"),
        frame=number[inside],
        gap_x_m=gaps[own, 0],
        gap_y_m=gaps[own, 1],
        gap_missing=missing[own],
        photos=tuple(one.photo for one in frames),
        notes=(*notes, *([] if doubt is None else [doubt])),
    )


def _plants(count: int) -> str:
    return f"{count:,} plant" if count == 1 else f"{count:,} plants"


def _doubt_of_day(frames: list[FrameAbove], day: date | None) -> str | None:
    """Say it where nobody can see whether the flight is too old; None where its photos tell."""
    if day is None:
        return f"The flight's day isn't known: {_SEE_DAY}"
    newest = [one.georeference for one in frames if one.day == day]
    if all(one is not None and one.source == "geotransform" for one in newest):
        return (
            f"The flight's day, {day}, is the one that the mosaic's file says, and that is made "
            f"after the flight: {_SEE_DAY}"
        )
    return None


def far_words(distance_m: float) -> str:
    """A distance in metres, or kilometres."""
    return f"{distance_m / 1000:,.1f} km" if distance_m >= 1000 else f"{distance_m:,.0f} m"


def age_words(flight: Flight, on: date | None, good_days: int = GOOD_DAYS) -> str | None:
    """Say that a flight is too old, or too new, to go with a visit; None where it isn't.

    Where its day is unknown or in doubt nobody can say, and the flight's own notes tell that.
    """
    if flight.day is None or on is None:
        return None
    days = (on - flight.day).days
    if -good_days <= days <= good_days:
        return None
    if days < 0:
        return (
            f"The flight of {flight.day} was {-days} days after {on}: give the one before it "
            "or the day that it belongs to (--day, --visit)."
        )
    return (
        f"The flight of {flight.day} was {days} days before {on}, and corn makes a leaf in three "
        f"to five days: over {good_days} days it tells no stages. Fly again, or go by "
        "`collarvision plan --boundary`."
    )


def _hull(x: np.ndarray, y: np.ndarray, origin: tuple[float, float]) -> Boundary:
    """Convex hull of the plants, a little wider, so that those on it lie inside."""
    from scipy.spatial import ConvexHull, QhullError

    # A photo's plants may all stand at its middle: give every place some width.
    points = np.column_stack([x, y])
    around = HULL_M * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
    points = (np.unique(points.round(1), axis=0)[:, None] + around).reshape(-1, 2)
    try:
        ring = points[ConvexHull(points).vertices]
    except (QhullError, ValueError) as error:
        raise FlightError("The flight's places make no area: check its GPS.") from error
    return Boundary(None, origin, ((ring,),))
