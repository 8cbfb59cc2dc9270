"""Units of the trade, changed exactly: lengths, areas, temperatures.

Every factor is a whole fraction (an international inch is 25.4 mm, an international acre is
4046.8564224 m2, both by definition), so that a value changed there and back is the same value.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

MM_PER: Final = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "in": Fraction(127, 5),
    "ft": Fraction(1524, 5),
    "m": Fraction(1000),
}
M2_PER: Final = {"ac": Fraction(40468564224, 10_000_000), "ha": Fraction(10_000)}

NAMES: Final = {
    "inch": "in",
    "inches": "in",
    '"': "in",
    "feet": "ft",
    "foot": "ft",
    "acre": "ac",
    "acres": "ac",
    "hectare": "ha",
    "hectares": "ha",
}
"""Other names of units."""

_QUANTITY: Final = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*([a-zA-Z\"]*)\.?\s*")
_FEET_AND_INCHES: Final = re.compile(
    r"\s*(\d+)\s*(?:ft|feet|foot|')\.?\s*(\d+(?:\.\d+)?)\s*(?:in|inch|inches|\"|'')\.?\s*", re.I
)
_MOST_DIGITS: Final = 30  # a float takes ten times as many

# "1,000" is a thousand to some and one to others; "0,125" and "1,5" are clear.
_UNCLEAR: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")

Number = int | float | str | Fraction


class UnitError(ValueError):
    """A quantity that can't be understood; `str` is one sentence that says what to write."""


def change(value: Number, unit: str, to: str, factors: dict[str, Fraction] = MM_PER) -> Fraction:
    """Change a value from one unit to another, exactly.

    Parameters
    ----------
    value : int, float, str or Fraction
        A float is taken at its exact binary value.
    unit, to : str
        Keys of `factors`.

    Raises
    ------
    KeyError
        For a unit that `factors` lacks.
    """
    return Fraction(value) * factors[unit] / factors[to]


def fahrenheit(celsius: Number) -> Fraction:
    """Change degrees Celsius to Fahrenheit, exactly."""
    return Fraction(celsius) * 9 / 5 + 32


def celsius(fahrenheit: Number) -> Fraction:
    """Change degrees Fahrenheit to Celsius, exactly."""
    return (Fraction(fahrenheit) - 32) * 5 / 9


def read_length_mm(text: str, example: str = "'20 in', '50 cm' or '510 mm'") -> Fraction:
    """Read a length such as ``20 in``, ``14in.``, ``50cm`` or ``510 mm``; the result is in mm.

    Parameters
    ----------
    text : str
    example : str
        What an error says to write, where another length is asked for than a plant's.

    Raises
    ------
    UnitError
        Without a number, or without a unit: a bare 20 could be inches or centimetres. Also for a
        comma before three digits: 1,000 could be a thousand or one. Also for two units at once.
    """
    value, unit = _read(text, MM_PER, example)
    return value * MM_PER[unit]


def unit_of_length(text: str) -> str:
    """Unit that a length was written in, a key of `MM_PER`.

    Raises
    ------
    UnitError
        As `read_length_mm`.
    """
    return _read(text, MM_PER, "'20 in', '50 cm' or '510 mm'")[1]


def read_area_m2(text: str) -> Fraction:
    """Read an area such as ``40ac`` or ``16.2 ha``; the result is in square metres.

    Raises
    ------
    UnitError
        As `read_length_mm`, or when the area isn't above zero.
    """
    value, unit = _read(text, M2_PER, "'40ac' or '16ha'")
    if value <= 0:
        raise UnitError(f"{text.strip()!r} must be above zero: write it like '40ac' or '16ha'.")
    return value * M2_PER[unit]


def unit_of_area(text: str) -> str:
    """Unit that an area was written in, a key of `M2_PER`.

    Raises
    ------
    UnitError
        As `read_length_mm`.
    """
    return _read(text, M2_PER, "'40ac' or '16ha'")[1]


def area_number(area_m2: float, unit: str) -> str:
    """An area in acres or hectares, without its unit: whole from 100 on, else three digits."""
    value = float(area_m2) / float(M2_PER[unit])
    if value < 0.001:
        return "under 0.001"
    return f"{value:,.0f}" if value >= 99.95 else f"{value:.3g}"


def area_words(area_m2: float, unit: str) -> str:
    """An area in acres or hectares, such as ``12.5 ac`` or ``1,200 ac``."""
    return f"{area_number(area_m2, unit)} {unit}"


class TypedMetres(float):
    """Metres that somebody typed in a unit of their own; `words` says them as they were typed."""

    words: str

    def __new__(cls, metres: float, text: str) -> TypedMetres:
        """`text` is a number of metres, or a length with its unit."""
        made = super().__new__(cls, metres)
        try:
            unit = unit_of_length(text)
        except UnitError:  # a bare number
            unit = "m"
        made.words = f"{metres * 1000 / float(MM_PER[unit]):,.10g} {unit}"
        return made


def metres_words(metres: float) -> str:
    """A length in the unit that it was typed in, else in metres."""
    return metres.words if isinstance(metres, TypedMetres) else f"{metres:g} m"


def _read(text: str, factors: dict[str, Fraction], example: str) -> tuple[Fraction, str]:
    both = _FEET_AND_INCHES.fullmatch(text)
    if both is not None and "in" in factors and len(text) <= _MOST_DIGITS:
        inches = 12 * int(both[1]) + float(both[2])
        raise UnitError(f"{text.strip()!r} has two units: write {inches:.10g} in.")
    match = _QUANTITY.fullmatch(text)
    if match is not None and len(match[1]) > _MOST_DIGITS:
        raise UnitError(f"{match[1][:6]}... has too many digits: write it like {example}.")
    if match is None:
        raise UnitError(f"{text!r} isn't a number with a unit: write it like {example}.")
    unit = match[2].lower()
    unit = NAMES.get(unit, unit)
    if not unit:
        raise UnitError(f"{text!r} has no unit: write it like {example}.")
    if unit not in factors:
        raise UnitError(
            f"The unit {match[2]!r} isn't known here ({', '.join(factors)}): "
            f"write it like {example}."
        )
    if _UNCLEAR.fullmatch(match[1]):
        whole, point = match[1].replace(",", ""), match[1].replace(",", ".")
        raise UnitError(
            f"{text.strip()!r} may be {whole} {unit} or {point} {unit}: write it without a comma."
        )
    return Fraction(match[1].replace(",", ".")), unit


LengthUnit = Literal["in", "cm", "mm"]
_INCH_TERRITORIES: Final = {"US", "LR", "MM"}  # those that never went metric; from memory


@dataclass(frozen=True)
class Shown:
    """How quantities are shown: inches go with °F and acres, cm and mm with °C and hectares."""

    length: LengthUnit

    @property
    def us(self) -> bool:
        """Whether the units are those of the United States."""
        return self.length == "in"

    def height(self, mm: float) -> str:
        """A height, to a tenth of an inch or of a cm."""
        value = float(mm) / float(MM_PER[self.length])
        return f"{value:.0f} mm" if self.length == "mm" else f"{value:.1f} {self.length}"

    def heat(self, gdd_f: float) -> str:
        """Growing degree days."""
        return f"{gdd_f:.0f} °F-days" if self.us else f"{gdd_f / 1.8:.0f} °C-days"


def shown_here(asked: LengthUnit | None = None) -> Shown:
    """Units asked for, else those of the user's locale, else inches.

    Of the environment, as POSIX orders it: LC_ALL, LC_MEASUREMENT, LANG.
    """
    if asked is not None:
        return Shown(asked)
    names = (os.environ.get(name) for name in ("LC_ALL", "LC_MEASUREMENT", "LANG"))
    locale = next((name for name in names if name), "")
    territory = re.match(r"[a-zA-Z]+_([A-Z]{2})", locale)
    if territory is None:
        return Shown("in")
    return Shown("in" if territory[1] in _INCH_TERRITORIES else "cm")
