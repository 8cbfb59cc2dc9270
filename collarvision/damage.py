"""Damage: how long to wait after hail or frost before a plant can be judged again.

After hail wait 3 to 5 days (Iowa State Univ. ICM, 7 June 2008); another source asks for 7 to 10
(Univ. of Wisconsin, L039). The growing point is below the soil to about V6, so that plants cut to
the ground may grow on. For frost no source was found: the same wait is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal

Damage = Literal["hail", "frost"]

SHORTEST_WAIT_DAYS: Final = 3
USUAL_WAIT_DAYS: Final = 5
LONGEST_WAIT_DAYS: Final = 10
_LAST_STAGE_BELOW_GROUND: Final = 6


class DamageError(ValueError):
    """A day of damage that can't be; `str` is one sentence."""


@dataclass(frozen=True)
class Wait:
    """What damage means for a visit.

    Attributes
    ----------
    kind : str
    day : date
        Of the damage.
    too_soon : bool
        The visit was before the shortest advised wait was over, or before the damage: it can't
        carry an answer.
    look_again : date
        First day on which the plants can be judged by the shorter advice.
    sentence : str
    """

    kind: Damage
    day: date
    too_soon: bool
    look_again: date
    sentence: str


def wait_after(kind: Damage, day: date, visit: date | None, today: date) -> Wait:
    """Hold a visit against the advised wait.

    Raises
    ------
    DamageError
        When the damage is said to be in the future.
    """
    if day > today:
        raise DamageError(f"The {kind} of {day} is after {today}: check the date.")
    first, usual, longest = (
        day + timedelta(days=wait)
        for wait in (SHORTEST_WAIT_DAYS, USUAL_WAIT_DAYS, LONGEST_WAIT_DAYS)
    )
    advice = (
        f"Advised is a wait of {SHORTEST_WAIT_DAYS} to {USUAL_WAIT_DAYS} days "
        f"({first} to {usual}), by another source up to {LONGEST_WAIT_DAYS} (to {longest})"
        + (", for frost as common practice" if kind == "frost" else "")
        + "."
    )
    if visit is not None and visit >= first:
        late = visit >= longest
        return Wait(
            kind,
            day,
            False,
            first,
            f"The visit was {(visit - day).days} days after the {kind} of {day}. "
            + ("Every advised wait is over." if late else advice)
            + " Leaves it took still count: split a few stalks.",
        )
    if visit is None:
        said = (
            f"The visit has no date, so it may be too soon after the {kind} of {day} to judge by."
        )
    elif visit < day:
        said = f"The visit of {visit} was before the {kind} of {day}."
    else:
        said = f"The visit of {visit} is too soon after the {kind} of {day} to judge by."
    return Wait(
        kind,
        day,
        True,
        first,
        f"{said} {advice} Visit again from {max(first, today)}."
        f" The growing point is below the soil to about V{_LAST_STAGE_BELOW_GROUND}: such plants "
        "may grow on.",
    )
