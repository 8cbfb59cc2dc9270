"""Pick a plant: from the words a person types to one photo, or one stop, of a survey."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from collarvision.survey import PlantRow, Stop, SurveyReader
from collarvision.table import plain

_FEWEST_HEX = 6
_SHOWN = 6


class PickError(ValueError):
    """No plant, or several, fit the words; `str` is one sentence that says what to add."""


@dataclass(frozen=True)
class Picked:
    """One photo or one stop; the other is None."""

    photo: PlantRow | None
    stop: Stop | None

    @property
    def words(self) -> str:
        """What was picked, with its place."""
        if self.photo is not None:
            what, place = self.photo.photo, (self.photo.field, self.photo.date, self.photo.stop)
        else:
            assert self.stop is not None
            what, place = f"stop {self.stop.name}", (self.stop.field, self.stop.date, None)
        field, date, stop = place
        said = [field or "no field", date, None if stop is None else f"stop {stop}"]
        return plain(f"{what} ({', '.join(part for part in said if part)})")


def pick(
    store: SurveyReader, words: str, *, field: str | None = None, date: str | None = None
) -> Picked:
    """Find the photo or stop that is meant.

    Parameters
    ----------
    words : str
        A photo's name with or without its ending, its path, the beginning of its SHA-256, or a
        stop as ``stop 3`` or ``3``.
    field, date : str, optional
        Where to look.

    Raises
    ------
    PickError
        When nothing fits, or more than one does.
    """
    words = words.strip()
    stop_only = re.fullmatch(r"stop[\s_-]*(.+)", words, re.I)
    if stop_only is None:
        photos = list(_photos(store, words, field, date))
        if len(photos) == 1:
            return Picked(photos[0], None)
        if photos:
            raise PickError(_several(words, [Picked(photo, None) for photo in photos]))
    stops = [
        stop
        for stop in store.stops(field)
        if stop.name.casefold()
        in (words.casefold(), (stop_only[1] if stop_only else "").casefold())
        and date in (None, stop.date)
    ]
    # The last visit is meant where none is named.
    if date is None and len({stop.field for stop in stops}) == 1:
        last = max(stop.date or "" for stop in stops)
        stops = [stop for stop in stops if (stop.date or "") == last]
    if len(stops) == 1:
        return Picked(None, stops[0])
    if stops:
        raise PickError(_several(words, [Picked(None, stop) for stop in stops]))
    where = " there" if field or date else ""
    raise PickError(
        f"The survey has no photo or stop {words!r}{where}: give a photo's name, or 'stop 3' with "
        "--field; `collarvision export` lists them."
    )


def _photos(
    store: SurveyReader, words: str, field: str | None, date: str | None
) -> Iterator[PlantRow]:
    folded = words.casefold()
    key = folded if re.fullmatch(rf"[0-9a-f]{{{_FEWEST_HEX},64}}", folded) else None
    for row in store.plants(field, date):
        name = row.photo.casefold()
        if (
            folded in (name, PurePath(name).stem, (row.path or "").casefold())
            or (key is not None and row.sha256.startswith(key))
        ):  # fmt: skip
            yield row


def _several(words: str, found: Sequence[Picked]) -> str:
    def said(picked: Picked) -> str:
        key = f" {picked.photo.sha256[:8]}" if picked.photo is not None else ""
        return picked.words + key

    shown = "; ".join(said(one) for one in found[:_SHOWN])
    more = f"; and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    add = (
        "the beginning of its SHA-256, or --field and --visit"
        if found[0].photo
        else ("--field and --visit")
    )
    return f"{words!r} may be {shown}{more}: say which with {add}."
