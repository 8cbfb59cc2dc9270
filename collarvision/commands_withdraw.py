"""Taking back a count of a plant without a photo: words in, one withdrawal on the record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from collarvision.commandline import EXIT_OUTPUT, end_with, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from collarvision.survey.stopcounts import StopCount

_NOTHING = "Nothing was withdrawn."


def withdraw_count(
    survey: Path,
    what: str,
    who: str,
    reason: str,
    *,
    counted_by: str | None,
    field: str | None,
    date: str | None,
) -> None:
    """Withdraw the plant that the words name, or end with a sentence that says why not.

    Parameters
    ----------
    survey : Path
    what : str
        Like ``stop 3, plant 2``.
    who, reason : str
        Who takes it back, and why; not empty.
    counted_by : str or None
        Whose counts alone are taken back; None for all.
    field, date : str or None
        Where to look; the date as YYYY-MM-DD.
    """
    from collarvision.countwords import stands_words, typed, withdrawal_words, withdrawn_words
    from collarvision.pickplant import PickError, pick
    from collarvision.survey import SurveyError, SurveyWriter
    from collarvision.survey.stopcounts import plants_at
    from collarvision.table import plain

    try:
        with SurveyWriter(survey) as store:
            picked = pick(store, what, field=field, date=date, make=False)
            if picked.photo is not None:
                end_with(
                    f"{picked.words} is a photo: count it again, as the last count stands, or, "
                    "where it shows no plant to count, say so on the page of "
                    f"`collarvision handcount`. {_NOTHING}"
                )
            assert picked.stop is not None  # as no stop is made
            stop_id, plant = picked.stop.id, picked.plant
            if plant is None:
                _ask_which(picked.words, plants_at(store, stop_id))
            if not plant.counts:
                end_with(
                    f"{picked.words} was already {withdrawal_words(plant.withdrawn_last)} "
                    "Nothing was changed. To count it anew, give --stage N in place of --withdraw."
                )
            whose = None if counted_by is None else _counter(plant, counted_by)
            store.withdraw_stop_plant(plant.id, who=who, reason=reason, counted_by=whose)
            now = next(one for one in plants_at(store, stop_id) if one.id == plant.id)
    except PickError as error:
        end_with(f"{error} {_NOTHING}")
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    taken_back = [one for one in now.withdrawn if one not in plant.withdrawn]
    for one in taken_back:
        say(f"{picked.words}: {withdrawn_words(one)}")
    kept = "The count stays" if len(taken_back) == 1 else "The counts stay"
    if now.counts:
        say(f"{kept} on the record and out of the answers: {now.name} is now {stands_words(now)}.")
        return
    say(f"{kept} on the record, and the plant counts no longer.")
    visit = "" if now.date is None else f" --visit {now.date}"
    say(
        f"To count it anew: collarvision count {typed(str(survey))} {typed(plain(now.name))} "
        f"--field {typed(now.field)}{visit} --stage N --who {typed(who)}"
    )


def _counter(plant: StopCount, name: str) -> str:
    """Who counted a plant, as the survey has the name; ends where that person's can't go alone."""
    from collarvision.agreement import stage_counted
    from collarvision.countwords import typed
    from collarvision.table import plain

    by = {plain(one.who): one.who for one in plant.counts}
    if name not in by:
        end_with(
            f"No count of {plant.name} by {name} stands: give --counted-by as "
            f"{' or '.join(map(typed, by))}. {_NOTHING}"
        )
    rest = [one for one in plant.counts if one.who != by[name]]
    if rest and all(stage_counted(one) is None for one in rest):
        end_with(
            f"A height alone would be left of {plant.name}: withdraw all of its counts, without "
            f"--counted-by. {_NOTHING}"
        )
    return by[name]


def _ask_which(stop: str, plants: Sequence[StopCount]) -> NoReturn:
    """Ask for one of a stop's plants that count, or say that there is none."""
    from collarvision.countwords import stands_words
    from collarvision.table import plain

    shown = [f'"{plain(one.name)}" ({stands_words(one)})' for one in plants if one.counts]
    if not shown:
        end_with(
            f"No plant without a photo counts at {stop}. {_NOTHING} See the stop and the visit of "
            "the one that is meant: `collarvision export` lists them."
        )
    end_with(f"Say which plant of {stop} is meant: {'; '.join(shown)}. {_NOTHING}")
