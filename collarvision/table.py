"""Table: readings as lines of text for a person, readable at a glance on any width.

Plain text: no colour and no box drawing, so that it pastes into a message and pipes into a file.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import Literal

from collarvision.answer import (
    MM_PER_INCH,
    Reading,
    confidence_words,
    count_of,
    percent_sure,
    shown_stage,
    stage_name,
)

Unit = Literal["in", "cm", "mm"]

CAUTION = "Before you spray: the label is the law; local rules and licensed practice decide."
"""Said once under a table of stages, since stages are what spray decisions rest on."""

MORE_REASONS = "Reasons left out here are in the overlays (--overlay DIR) and in --format json."
"""Said once where a photo has more reasons than the one under it."""

DOUBTFUL_HEIGHT = 'A height with "?" may be off by half: measure the plant where a limit is near.'
"""Said wherever such heights are shown."""

_OUTCOMES = {"staged": "staged", "hand-count": "hand count", "rejected": "rejected"}
_ABOVE = "from above"  # no plant there waits for a count by hand
_UNITS: dict[Unit, tuple[float, int]] = {"in": (MM_PER_INCH, 1), "cm": (10.0, 1), "mm": (1.0, 0)}
_GAP = "  "
_NARROW = 56


def format_table(readings: Sequence[Reading], *, unit: Unit = "in", width: int = 80) -> str:
    """Lay readings out as a table with a closing line that says what to do next.

    Parameters
    ----------
    readings : sequence of Reading
    unit : {'in', 'cm', 'mm'}
        Of heights.
    width : int
        Columns of the terminal. Under 56 each photo takes two lines.

    Returns
    -------
    str
        Lines no longer than `width`, ending in a newline.
    """
    width = max(width, 24)
    rows = [_cells(reading, unit) for reading in readings]
    lines = _wide(rows, readings, width) if width >= _NARROW else _narrow(rows, readings, width)
    lines.append("")
    for sentence in closing(readings):
        lines += _wrap(sentence, width)
    if any(_tells_a_stage(reading) for reading in readings):
        lines += _wrap(CAUTION, width)
    return "\n".join(lines) + "\n"


def _tells_a_stage(reading: Reading) -> bool:
    """Whether something is said that a spray decision may lean on, if only a range from above."""
    return reading.stage is not None or bool((reading.above or {}).get("stages"))


def closing(readings: Sequence[Reading]) -> list[str]:
    """Counts, the stages found, and what to do next: a few short sentences."""
    total = len(readings)
    if total == 0:
        return ["No photo was read."]
    plant = next((reading for reading in readings if reading.photos), None)
    if plant is not None:
        sentences = _closing_of_plant(plant)
        if any(len(reading.reasons) > 1 for reading in readings):
            # No overlay has those of the plant's own.
            sentences.append("Reasons left out here are in --format json.")
        return sentences
    counts: Counter[str] = Counter(reading.outcome for reading in readings)
    stages = Counter(
        reading.stage
        for reading in readings
        if reading.stage is not None and reading.outcome == "staged"
    )
    above = [reading for reading in readings if reading.view == "above"]
    for reading in above:
        counts[reading.outcome] -= 1
    parts = [
        f"{counts[outcome]} {words}" for outcome, words in _OUTCOMES.items() if counts[outcome]
    ]
    if above:
        parts.append(f"{len(above)} {_ABOVE}")
    sentences = [f"{count_of(total, 'photo')}: {', '.join(parts)}."]
    if stages:
        found = ", ".join(f"{stage_name(s)} × {n}" for s, n in sorted(stages.items()))
        sentences[0] += f" Staged: {found}."
    if counts["hand-count"]:
        sentences.append(
            "Next: count the hand-count plants yourself, or take each from its other side as well "
            '(--one-plant), or again where its reason says so; a stage with "?" is only a best '
            "guess."
        )
    unopened = sum(
        reading.outcome == "rejected" and reading.photo_size is None and reading.view == "side"
        for reading in readings
    )
    if counts["rejected"] > unopened:
        sentences.append("Next: retake the rejected photos, or count those plants by hand.")
    if unopened:
        sentences.append(
            f"Next: {unopened} could not be opened as a photo: do what stands under "
            f"{'it' if unopened == 1 else 'each'}."
        )
    if any(len(reading.reasons) > 1 for reading in readings):
        sentences.append(MORE_REASONS)
    if above:
        sentences.append(
            f"{len(above)} {_ABOVE}: a range of stages at most. `collarvision above` tells more, "
            "and where to walk."
        )
    without_card = sum(
        reading.stage is not None and "no_card" in reading.quality for reading in readings
    )
    if without_card:
        sentences.append(f"No height for {without_card}: no scale card was found there.")
    two_cards = sum(
        reading.stage is not None and "two_cards" in reading.quality for reading in readings
    )
    if two_cards:
        sentences.append(
            f"No height for {two_cards}: two scale cards are in view there. Take one away and take "
            "the photo again."
        )
    if any(reading.height_in_doubt for reading in readings):
        sentences.append(DOUBTFUL_HEIGHT)
    faults = sum(reading.fault is not None for reading in readings)
    if faults:
        sentences.append(
            f"{faults} failed on a fault of the program, not of the photo: --format json shows it."
        )
    return sentences


def _closing_of_plant(plant: Reading) -> list[str]:
    """What several photos of one plant come to."""
    said = f"{len(plant.photos)} photos of one plant: {_OUTCOMES[plant.outcome]}."
    if plant.outcome == "staged" and plant.stage is not None:
        said = f"{len(plant.photos)} photos of one plant: {stage_name(plant.stage)}."
    sentences = [said]
    if plant.outcome == "hand-count":
        sentences.append(
            "Next: count this plant yourself, or take a photo again where its reason says so; a "
            'stage with "?" is only a best guess.'
        )
    if plant.outcome == "rejected":
        sentences.append("Next: retake the photos, or count this plant by hand.")
    if plant.height_in_doubt:
        sentences.append(DOUBTFUL_HEIGHT)
    return sentences


def plain(text: str) -> str:
    """Make a name safe to print: control characters could move the cursor or forge a line."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def _cells(reading: Reading, unit: Unit) -> tuple[str, str, str, str, str]:
    stage = shown_stage(reading.stage, reading.outcome, reading.confidence)
    sure = "–"
    if reading.above is not None and reading.above["stages"] is not None:
        low, high = (reading.above["stages"][end] for end in ("low", "high"))
        stage, sure = low if low == high else f"{low}–{high}", "range"
    if reading.confidence is not None:
        sure = f"{confidence_words(reading.confidence)} {percent_sure(reading.confidence)}"
    height = "–"
    if reading.height_mm is not None:
        per_mm, digits = _UNITS[unit]
        mark = "?" if reading.height_in_doubt else ""
        height = f"{reading.height_mm / per_mm:.{digits}f} {unit}{mark}"
    seen = reading.view == "above" and reading.outcome == "hand-count"
    outcome = _ABOVE if seen else _OUTCOMES[reading.outcome]
    name = f"the plant, {len(reading.photos)} photos" if reading.photos else plain(reading.photo)
    return name, stage, sure, height, outcome


def _wide(
    rows: list[tuple[str, str, str, str, str]], readings: Sequence[Reading], width: int
) -> list[str]:
    head = ("Photo", "Stage", "How sure", "Height", "Outcome")
    sizes = [max(len(row[k]) for row in [head, *rows]) for k in range(5)]
    rest = sum(sizes[1:]) + 4 * len(_GAP)
    sizes[0] = min(sizes[0], max(8, width - rest))

    def line(cells: Sequence[str]) -> str:
        name, stage, sure, height, outcome = cells
        return _GAP.join(
            [
                _squeeze(name, sizes[0]).ljust(sizes[0]),
                stage.ljust(sizes[1]),
                sure.ljust(sizes[2]),
                height.rjust(sizes[3]),
                outcome,
            ]
        )

    lines = [line(head), _GAP.join("-" * size for size in sizes)]
    for cells, reading in zip(rows, readings, strict=True):
        lines.append(line(cells))
        lines += _reason(reading, width)
    return lines


def _narrow(
    rows: list[tuple[str, str, str, str, str]], readings: Sequence[Reading], width: int
) -> list[str]:
    lines: list[str] = []
    for (name, *facts), reading in zip(rows, readings, strict=True):
        lines.append(_squeeze(name, width))
        lines += _wrap(" · ".join(fact for fact in facts if fact != "–"), width, "  ")
        lines += _reason(reading, width)
    return lines


def not_numbered(reading: Reading) -> list[str]:
    """Say why the numbers of the collars don't run from 1: leaves that count without a collar."""
    ranks = {collar.rank for collar in reading.collars}
    numbers = {rank for rank in ranks if rank is not None}
    if reading.outcome == "rejected" or not numbers or None in ranks:
        return []
    seen = {tip.rank for tip in reading.tips}
    unmarked = [rank for rank in range(1, max(numbers)) if rank not in numbers]
    lost = [rank for rank in unmarked if rank < min(numbers) and rank not in seen]
    said = []
    if lost:
        leaves = f"Leaf {lost[0]} is" if len(lost) == 1 else f"Leaves {_listed(lost)} are"
        said.append(f"{leaves} taken as lost, and counted.")
    for rank in unmarked:
        if rank not in lost:
            said.append(f"The collar of leaf {rank} wasn't found, but the leaf is counted.")
    return said


def _listed(ranks: list[int]) -> str:
    """Numbers as they are said: 1, 2 and 3."""
    return " and ".join([", ".join(map(str, ranks[:-1])), str(ranks[-1])])


def _reason(reading: Reading, width: int) -> list[str]:
    if reading.outcome == "staged":  # nobody counts again: what the stage adds must stand here
        return [line for words in not_numbered(reading) for line in _wrap(words, width, "    ")]
    if not reading.reasons:
        return []
    more = len(reading.reasons) - 1
    words = plain(reading.reasons[0]) + (f" (+ {more} more)" if more else "")
    return _wrap(words, width, "    ")


def _wrap(words: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(
        words,
        width,
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


def _squeeze(name: str, size: int) -> str:
    """Shorten in the middle: the end of a camera's file name tells photos apart."""
    if len(name) <= size:
        return name
    tail = (size - 1) * 2 // 3
    return name[: size - 1 - tail] + "…" + name[len(name) - tail :]
