"""Pick a plant: from the words a person types to one photo, one stop, or a plant counted there."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date as Day
from pathlib import PurePath

from collarvision.fieldnames import listed, meant
from collarvision.survey import Place, PlantRow, Stop, SurveyReader
from collarvision.survey.stopcounts import StopCount, stop_counts
from collarvision.table import plain

_FEWEST_HEX = 6
_SHOWN = 6
_STOP = re.compile(r"stop[\s_#-]*(.+)", re.I)
_PLANT_THERE = re.compile(r"(.+?)[\s,]*[\s,]plant[\s_#-]*(\d{1,4})", re.I)
_NUMBERED = re.compile(r"\d{1,4}[^\W\d_]?|[^\W\d_]\d{0,4}")
"""What a stop may be called that nobody has been at: 3, 3b, B, B3. A typed word is rather a slip,
and each would be a stop of its own."""


class PickError(ValueError):
    """No plant, or several, fit the words; `str` is one sentence that says what to add."""


@dataclass(frozen=True)
class Picked:
    """One photo, one stop, or the place of a stop that is still to be made; the others are None.

    With a stop, `plant` is the one that was counted there before and is meant again.
    """

    photo: PlantRow | None
    stop: Stop | None
    new_stop: Place | None = None
    plant: StopCount | None = None

    @property
    def words(self) -> str:
        """What was picked, with its place."""
        if self.photo is not None:
            what, place = self.photo.photo, (self.photo.field, self.photo.date, self.photo.stop)
        elif self.plant is not None:
            what, place = self.plant.name, (self.plant.field, self.plant.date, None)
        elif self.stop is not None:
            what, place = f"stop {self.stop.name}", (self.stop.field, self.stop.date, None)
        else:
            assert self.new_stop is not None
            new = self.new_stop
            what, place = f"stop {new.stop}, new", (new.field, new.date, None)
        field, date, stop = place
        said = [field or "no field", date, None if stop is None else f"stop {stop}"]
        return plain(f"{what} ({', '.join(part for part in said if part)})")


def pick(
    store: SurveyReader,
    words: str,
    *,
    field: str | None = None,
    date: str | None = None,
    today: Day | None = None,
) -> Picked:
    """Find the photo or stop that is meant.

    A stop that isn't there is one to be made, where the words say ``stop`` and the field is known:
    a walk without photos has no other beginning. It must be called by a number, or like a stop of
    another visit.

    Parameters
    ----------
    words : str
        A photo's name with or without its ending, its path, the beginning of its SHA-256, a stop as
        ``stop 3`` or ``3``, or a plant that was counted there as ``stop 3, plant 2``.
    field, date : str, optional
        Where to look.
    today : date, optional
        Day of the count.

    Raises
    ------
    PickError
        When nothing fits, or more than one does.
    """
    words = words.strip()
    stop_only = _STOP.fullmatch(words)
    if stop_only is None:
        photos = list(_photos(store, words, field, date))
        if len(photos) == 1:
            return Picked(photos[0], None)
        if photos:
            raise PickError(_several(words, [Picked(photo, None) for photo in photos]))
    named = _PLANT_THERE.fullmatch(words)
    missing = None
    if named is not None and (at := _stop(store, named[1], field, date)) is not None:
        there = [plant for plant in stop_counts(store, at.field) if plant.stop_id == at.id]
        for plant in there:
            if plant.number == int(named[2]):
                return Picked(None, at, plant=plant)
        missing = _no_plant(at, int(named[2]), len(there))
    stop = _stop(store, words, field, date)
    if stop is not None:
        return Picked(None, stop)
    if missing is not None:
        raise PickError(missing)
    if field is not None:
        _check_field(store, field)
        if stop_only is not None:
            name = (stop_only[1] if named is None else _bare(named[1])).strip()
            known = _known_name(store, name, field, made=named is None)
            return Picked(None, None, _new_stop(store, known, field, date, today))
    where = " there" if field or date else ""
    raise PickError(
        f"The survey has no photo or stop {words!r}{where}: give a photo's name, or 'stop 3' with "
        "--field; `collarvision export` lists them."
    )


def _stop(store: SurveyReader, words: str, field: str | None, date: str | None) -> Stop | None:
    """The one stop that is called so, if there is any; the last visit is meant where none is named.

    Raises
    ------
    PickError
        There are several.
    """
    called = {words.casefold(), _bare(words).casefold()}
    stops = [
        stop
        for stop in store.stops(field)
        if stop.name.casefold() in called and date in (None, stop.date)
    ]
    if date is None and len({stop.field for stop in stops}) == 1:
        last = max(stop.date or "" for stop in stops)
        stops = [stop for stop in stops if (stop.date or "") == last]
    if len(stops) > 1:
        raise PickError(_several(words, [Picked(None, stop) for stop in stops]))
    return stops[0] if stops else None


def _bare(words: str) -> str:
    """A stop's name without the word before it."""
    found = _STOP.fullmatch(words)
    return found[1] if found else words


def _no_plant(stop: Stop, number: int, there: int) -> str:
    """What to say where a plant was named that nobody has counted at its stop."""
    has = "none was" if not there else "1 was" if there == 1 else f"{there} were"
    return (
        f"{Picked(None, stop).words} has no plant {number} without a photo: {has} counted there. "
        f"'stop {plain(stop.name)}' counts another; a plant with photos is called by the name of "
        "one of them."
    )


def _known_name(store: SurveyReader, name: str, field: str, *, made: bool) -> str:
    """The name of a stop to be made: as another visit spells it, or a number.

    Raises
    ------
    PickError
        It is neither, or none is to be `made`.
    """
    known = {stop.name.casefold(): stop.name for stop in store.stops(field)}
    if made and name.casefold() in known:
        return known[name.casefold()]
    numbered = _NUMBERED.fullmatch(name) is not None
    if made and numbered:
        return name
    in_order = sorted(known.values(), key=lambda one: (not one.isdecimal(), one.zfill(9)))
    has = f"its stops are {plain(listed(in_order))}" if known else "it has no stop yet"
    free = name if numbered else 1 + max((int(k) for k in known if k.isdecimal()), default=0)
    raise PickError(
        f"{field} has no stop {name!r}: {has}. Where none is there yet, it is made by a number, "
        f"like 'stop {free}'."
    )


def _check_field(store: SurveyReader, field: str) -> None:
    """Refuse a field that the survey lacks: a misspelt one must not become another field."""
    known = [one.name for one in store.fields()]
    if field in known:
        return
    none = "it has none yet; `collarvision batch` with --field or --fields makes one."
    raise PickError(f"The survey has no field {field!r}: {meant(field, known) if known else none}")


def _new_stop(
    store: SurveyReader, name: str, field: str, date: str | None, today: Day | None
) -> Place:
    """The place of a stop to be made; of a visit only where there is no doubt which is meant."""
    now = (today or Day.today()).isoformat()
    visits = [visit.date for visit in store.visits(field)]
    if date is not None:
        if date > now and date not in visits:
            raise PickError(f"--visit {date} is still to come: give the day of the count.")
        return Place(field, date, name)
    last = max((day for day in visits if day is not None), default=None)
    if last is None and visits:
        return Place(field, None, name)  # the photos' own visit, whose day nobody knows
    if last not in (None, now):
        raise PickError(
            f"{field} has no stop {name!r}: to make it, say of which visit, --visit {last} (its "
            f"last one) or --visit {now} for a count made today."
        )
    return Place(field, now, name)


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
