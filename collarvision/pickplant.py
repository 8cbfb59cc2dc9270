"""Pick a plant: from the words a person types to one photo, one stop, or a plant counted there."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date as Day
from pathlib import PurePath

from collarvision.fieldnames import known_as, listed, meant
from collarvision.plantphotos import whole_plants
from collarvision.survey import Place, PlantRow, Stop, SurveyReader
from collarvision.survey.plantfolders import plant_names
from collarvision.survey.rows import ascii_digits, stop_key
from collarvision.survey.stopcounts import StopCount, plant_number, plants_at
from collarvision.table import plain
from collarvision.visitdays import of_no_season

_FEWEST_HEX = 6
_SHOWN = 6
_STOP = re.compile(r"stop[\s._#:-]*(?:(?:no|nr|number)[\s._#:-]*(?=\d))?(.+)", re.I)
_BELOW_ZERO = re.compile(r"stop\s+-\s*\d.*", re.I)  # in "stop-3" the stroke joins
_PLANT_THERE = re.compile(
    r"(.+?)[\s,]*[\s,]plant[\s._#:-]*(\d{1,4})(\s+without\s+(?:a\s+)?photo)?", re.I
)
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
    def place(self) -> tuple[str | None, str | None]:
        """The field, and the day of the visit."""
        at = self.photo or self.stop or self.new_stop
        assert at is not None
        return at.field, at.date

    @property
    def hashes(self) -> set[str]:
        """SHA-256 of the photo, and of the others of its plant."""
        row = self.photo
        return set() if row is None else {one.sha256 for one in (row, *row.others)}

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
    make: bool = True,
) -> Picked:
    """Find the photo or stop that is meant.

    A stop that isn't there is one to be made, where the words say ``stop`` and the field is known:
    a walk without photos has no other beginning. It must be called by a number, or like a stop of
    another visit.

    Parameters
    ----------
    words : str
        A photo's name with or without its ending, its path, the beginning of its SHA-256, a stop as
        ``stop 3`` or ``3``, or a plant there as ``stop 3, plant 2``: one that was counted without a
        photo, or that photos are filed under.
    field, date : str, optional
        Where to look.
    today : date, optional
        Day of the count.
    make : bool
        Without it no stop is one to be made: something is meant that is there.

    Raises
    ------
    PickError
        When nothing fits, or more than one does.
    """
    words = words.strip()
    if field is not None:
        field = known_as(field, [one.name for one in store.fields()])
    photos = [Picked(photo, None) for photo in _photos(store, words, field, date)]
    stops = _last_visit(_called(store, words, field, date), date)
    plants = _plants_named(store, words, field, date)
    if photos:
        shown = {one.photo.sha256 for one in photos if one.photo is not None}
        others = [one for one in plants if not shown & one.hashes]
        found = [*photos, *(Picked(None, stop) for stop in stops), *others]
        if len(found) == 1:
            return found[0]
        raise PickError(_several(store, words, found))
    if _BELOW_ZERO.fullmatch(words):
        raise PickError(f"{words!r} is no stop: call it by a number or a letter, like 'stop 3'.")
    if len(plants) > 1:
        raise PickError(_several(store, words, plants))
    missing = None
    named = _PLANT_THERE.fullmatch(words)
    if named is not None:
        there = _last_visit(_called(store, named[1], field, date), date)
        if len(there) > 1:
            raise PickError(_several(store, named[1], [Picked(None, stop) for stop in there]))
        if there:
            known = plants[0].place if plants else None
            if known == (there[0].field, there[0].date):
                return plants[0]
            missing = _no_plant(store, there[0], named, known, make=make)
        elif plants:
            return plants[0]  # all that was counted on that visit was withdrawn
    if len(stops) > 1:
        raise PickError(_several(store, words, [Picked(None, stop) for stop in stops]))
    if stops:
        return Picked(None, stops[0])
    if missing is not None:
        raise PickError(missing)
    if field is not None:
        _check_field(store, field)
        if make and _STOP.fullmatch(words):
            new = (_bare(words) if named is None else _bare(named[1])).strip()
            name = _known_name(store, new, field, date, today, made=named is None)
            return Picked(None, None, _new_stop(store, name, field, date, today))
    where = " there" if field or date else ""
    raise PickError(
        f"The survey has no photo or stop {words!r}{where}: give a photo's name, or 'stop 3' with "
        "--field; `collarvision export` lists them."
    )


def _called(
    store: SurveyReader,
    words: str,
    field: str | None,
    date: str | None,
    *,
    withdrawn: bool = False,
) -> list[Stop]:
    """Every stop that is called so; of one visit those that are spelt so, where there are any.

    Those of visits where all was withdrawn are found only where they are asked for: nobody means
    such a visit unless by its plants.
    """
    names = {words, _bare(words)}
    keys = {stop_key(name) for name in names}
    visits: dict[tuple[str, str | None], list[Stop]] = {}
    for stop in store.stops(field, withdrawn=withdrawn):
        if stop_key(stop.name) in keys and date in (None, stop.date):
            visits.setdefault((stop.field, stop.date), []).append(stop)
    found = []
    for stops in visits.values():
        found += [stop for stop in stops if stop.name in names] or stops
    return found


def _last_visit(stops: Sequence[Stop], date: str | None) -> list[Stop]:
    """Of one field's stops those of the last visit, which is meant where none is named."""
    if date is None and len({stop.field for stop in stops}) == 1:
        last = max(stop.date or "" for stop in stops)
        return [stop for stop in stops if (stop.date or "") == last]
    return list(stops)


def _plants_named(
    store: SurveyReader, words: str, field: str | None, date: str | None
) -> list[Picked]:
    """Every plant that words like ``stop 3, plant 2`` may mean, on whichever visit.

    Photos that were filed under a plant of this number are one, unless the words say otherwise.
    """
    named = _PLANT_THERE.fullmatch(words)
    if named is None:
        return []
    number, found = int(named[2]), []
    for stop in _called(store, named[1], field, date, withdrawn=True):
        found += [
            Picked(None, stop, plant=plant)
            for plant in plants_at(store, stop.id)
            if plant.number == number
        ]
        if not named[3]:
            found += [Picked(row, None) for row in _photographed(store, stop, number)]
    return found


def _photographed(store: SurveyReader, stop: Stop, number: int) -> Iterator[PlantRow]:
    """The plants of this number that photos at a stop were filed under."""
    place = Place(stop.field, stop.date, stop.name)
    names = {name for name in plant_names(store, place) if plant_number(name) == number}
    if names:  # else there is no need to go through all photos of the visit
        for row in whole_plants(store.plants(stop.field, stop.date)):
            at = (row.date, row.stop, row.view)
            if at == (stop.date, stop.name, "side") and row.plant in names:
                yield row


def _bare(words: str) -> str:
    """A stop's name without the word before it."""
    found = _STOP.fullmatch(words)
    return found[1] if found else words


def _no_plant(
    store: SurveyReader,
    stop: Stop,
    named: re.Match[str],
    elsewhere: tuple[str | None, str | None] | None,
    *,
    make: bool,
) -> str:
    """What to say where a plant was named that nobody has counted at its stop."""
    there = len(plants_at(store, stop.id))
    has = "none was" if not there else "1 was" if there == 1 else f"{there} were"
    number = int(named[2])
    words = f"{Picked(None, stop).words} has no plant {number}"
    if elsewhere is not None:
        day = elsewhere[1]
        seen = "on a visit without a date" if day is None else f"on {day}: say --visit {day}"
        return f"{words}; there is one {seen} if that one is meant."
    if not make:
        numbered = ", numbered from 1" if there else ""
        return f"{words} without a photo: {has} counted there{numbered}."
    visit = "" if stop.date is None else f" --visit {stop.date}"
    return (
        f'{words} without a photo: {has} counted there. "stop {plain(stop.name)}"{visit} counts '
        "another; a plant with photos is called by the name of one of them."
    )


def _known_name(
    store: SurveyReader,
    name: str,
    field: str,
    date: str | None,
    today: Day | None,
    *,
    made: bool,
) -> str:
    """The name of a stop to be made: as another visit spells it, or a number.

    Raises
    ------
    PickError
        It is neither, or none is to be `made`.
    """
    stops = list(store.stops(field))
    alike = [stop for stop in stops if stop_key(stop.name) == stop_key(name)]
    spelt = [stop.name for stop in alike]
    if made and spelt:
        return name if name in spelt else spelt[-1]
    numbered = _NUMBERED.fullmatch(name) is not None
    if made and numbered:
        return ascii_digits(name)
    day = date or _visit_to_name(store, field, today)
    visit = "" if day is None else f" --visit {day}"
    if alike:
        days = listed(sorted({f"on {stop.date}" if stop.date else "undated" for stop in alike}))
        raise PickError(
            f"Stop {plain(name)} was not at the visit of {date} (it was {days}): give that day as "
            f'--visit, or count "stop {plain(spelt[-1])}"{visit} for a first plant there.'
        )
    known = {stop_key(stop.name): stop.name for stop in stops}
    in_order = [known[key] for key in sorted(known, key=lambda k: (not k.isdecimal(), k.zfill(9)))]
    has = f"its stops are {plain(listed(in_order))}" if known else "it has no stop yet"
    free = name if numbered else 1 + max((int(k) for k in known if k.isdecimal()), default=0)
    raise PickError(
        f"{field} has no stop {name!r}: {has}. Where none is there yet, it is made by a number "
        f'or a letter, like "stop {free}"{visit}.'
    )


def _visit_to_name(store: SurveyReader, field: str, today: Day | None) -> str | None:
    """The visit that a new stop needs to be told of, where its field's last one isn't of today."""
    last = max((visit.date for visit in store.visits(field) if visit.date), default=None)
    return None if last == (today or Day.today()).isoformat() else last


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
        if (slip := of_no_season(field, date, now, visits)) is not None:
            raise PickError(slip)
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


def _several(store: SurveyReader, words: str, found: Sequence[Picked]) -> str:
    def said(picked: Picked) -> str:
        key = f" {picked.photo.sha256[:8]}" if picked.photo is not None else ""
        gone = picked.plant is not None and not picked.plant.counts
        return f"{picked.words}{key}{', withdrawn' if gone else ''}"

    shown = "; ".join(said(one) for one in found[:_SHOWN])
    more = f"; and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    # An option that was given already has left nothing to choose from.
    fields, dates = ({one.place[k] for one in found} for k in (0, 1))
    options = ["--field"] * (len(fields) > 1) + ["--visit"] * (len(dates) > 1)
    ways = [" and ".join(options)] if options else []
    without = [one for one in found if one.photo is None]
    if len(without) < len(found):
        ways.insert(0, "the beginning of its SHA-256")
        ways += [f'"{plain(_unlike_photos(store, one))}"' for one in without[:1]]
    if not ways:
        ways.append("its exact spelling")
    return f"{words!r} may be {shown}{more}: say which with {', or '.join(ways)}."


def _unlike_photos(store: SurveyReader, picked: Picked) -> str:
    """Words for a stop, or a plant there, that name no photo."""
    assert picked.stop is not None
    if picked.plant is not None:
        return f"{picked.plant.at}, plant {picked.plant.number} without a photo"
    name = picked.stop.name
    ways = (f"stop {name}", name, f"stop #{name}")
    return next((way for way in ways if not any(_photos(store, way, None, None))), ways[-1])
