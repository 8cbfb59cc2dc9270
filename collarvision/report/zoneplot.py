"""Zone plot: each zone's stages from above, corrected, and as counted on the ground."""

from __future__ import annotations

from typing import Final

from collarvision.answer import stage_name
from collarvision.report.svg import Drawing
from collarvision.walk.correction import ZonedField

WIDTH: Final = 360.0
_LEFT: Final = 34.0
_ROW: Final = 62.0
_TOP: Final = 26.0


def draw_zone_ranges(zoned: ZonedField) -> str:
    """Draw ranges a zone, one above the other: from above, corrected, and the plants counted."""
    low = min(min(z.before.low, z.after.low, *z.counts) for z in zoned.zones)
    high = max(max(z.before.high, z.after.high, *z.counts) for z in zoned.zones)
    step = (WIDTH - _LEFT - 12) / (high - low + 1)
    height = _TOP + _ROW * len(zoned.zones) + 4
    drawing = Drawing(WIDTH, height, "Stages of each zone from above, corrected, and as counted")

    def at(stage: float) -> float:
        return _LEFT + (stage - low + 0.5) * step

    for stage in range(low, high + 1):
        drawing.line([(at(stage), _TOP - 6), (at(stage), height - 4)], "grid")
        drawing.words(at(stage), 14, stage_name(stage), "small soft", "middle")
    for number, one in enumerate(zoned.zones):
        y = _TOP + number * _ROW
        drawing.words(8, y + 34, one.zone.letter, "letter")
        first, last = at(one.before.low) - 0.42 * step, at(one.before.high) + 0.42 * step
        drawing.box(first, y + 4, last - first, 13, "bar pale")
        if zoned.plants:
            first, last = at(one.after.low) - 0.42 * step, at(one.after.high) + 0.42 * step
            drawing.box(first, y + 21, last - first, 13, "bar")
        for stage, plants in one.counts.items():
            drawing.dot(at(stage), y + 46, 8.5, "stop")
            drawing.words(at(stage), y + 50, str(plants), "countname", "middle")
    return drawing.text()
