"""Words: the story of a field seen from above, as text for a terminal or a message."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from collarvision.above.assembling import OLDER_THAN_TOLD
from collarvision.above.fields import is_closed
from collarvision.above.values import (
    SQUARE_M_PER_ACRE,
    FieldAbove,
    FrameAbove,
    Interval,
    StageRange,
    StandCount,
)
from collarvision.answer import count_of, stage_name
from collarvision.table import CAUTION, plain

FRAMES_SHOWN: Final = 40
REASONS_SHOWN: Final = 6
M_PER_FOOT: Final = 0.3048
M_PER_INCH: Final = 0.0254

RANGE_NOTE: Final = (
    "From above only leaf tips are counted, not collars: a range, not the stage. Photograph plants "
    "from the side before you decide."
)


def tell_field(field: FieldAbove, *, us: bool, width: int = 80) -> str:
    """Tell a field's story.

    Parameters
    ----------
    field : FieldAbove
    us : bool
        Inches, feet and acres; else metric.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Lines that end in a newline.
    """
    width = max(width, 40)
    lines = [_title(field), ""]
    for name, sentences in _facts(field, us):
        for number, sentence in enumerate(sentences):
            head = f"{name if number == 0 else '':<10}"
            lines += _wrap(sentence, width, head, " " * 10)
    if len(lines) > 2:
        lines.append("")
    if len(field.frames) > 1:
        lines += _table(field.frames, us, width)
        lines.append("")
    for sentence in _doubts(field):
        lines += _wrap(sentence, width, "- ", "  ")
    if field.stages is not None:
        lines += ["", *_wrap(RANGE_NOTE, width), *_wrap(CAUTION, width)]
    return "\n".join(lines).rstrip("\n") + "\n"


def range_words(stages: StageRange | None) -> str:
    """Name a range: ``V3 to V5``, or a single stage."""
    if stages is None:
        return "–"
    low, high = stage_name(stages.low), stage_name(stages.high)
    return low if low == high else f"{low} to {high}"


def _title(field: FieldAbove) -> str:
    count = len(field.frames)
    days = sorted({frame.taken_at[:10] for frame in field.frames if frame.taken_at})
    when = "" if not days else f", {days[0]}" + (f" to {days[-1]}" if len(days) > 1 else "")
    what = plain(field.frames[0].photo) if count == 1 else f"{count} photos from above"
    return f"{plain(field.name)}: {what}{when}" if field.name else f"{what}{when}"


def _facts(field: FieldAbove, us: bool) -> Iterator[tuple[str, list[str]]]:
    if field.stand is not None:
        yield "Plants", list(_stand(field.stand, us))
        yield "Evenness", list(_evenness(field, us))
    elif any(frame.plants for frame in field.frames):
        yield "Plants", list(_loose(field, us))
    if field.stages is not None:
        # The share of each stage stays in above.json: they lie wider than known plants do, so that
        # those of a range add up to less than the range holds.
        promise = _promise(field, field.stages)
        yield "Stages", [f"{range_words(field.stages)}{promise}, by their leaf tips."]
    weeds = [f.weed_cover for f in field.frames if f.weed_cover is not None]
    if weeds:
        yield (
            "Weeds",
            [f"Plants other than corn cover {100 * sum(weeds) / len(weeds):.1f}% of it."],
        )
    sources = {frame.scale.source for frame in field.frames if frame.scale is not None}
    if sources:
        sizes = [frame.scale.mm_per_px for frame in field.frames if frame.scale is not None]
        low, high = min(sizes), max(sizes)
        span = f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"
        told = [_SOURCES[source] for source in sorted(sources)]
        yield "Scale", [f"{span} mm a pixel, by {' and '.join(told)}."]


def _promise(field: FieldAbove, stages: StageRange) -> str:
    """Of how many plants a range is said; none where too many may be older to keep to it.

    Where leaves close over the rows no plant is told apart, and those are the oldest.
    """
    plants = [(len(f.plants), "old" in f.quality) for f in field.frames if f.plants is not None]
    old = sum(count for count, aged in plants if aged)
    closed = any(is_closed(frame) for frame in field.frames)
    if closed or old > (1 - stages.level) * sum(count for count, _ in plants):
        return " or older"
    return f", for {100 * stages.level:.0f} of 100 plants"


_SOURCES: Final = {
    "exif": "height and lens in the file",
    "card": "the card on the ground",
    "rows": "the row spacing you gave",
    "geotransform": "the orthomosaic's georeference",
    "stated": "the height you gave",
}


def _stand(stand: StandCount, us: bool) -> Iterator[str]:
    if us:
        per, area, to_row = stand.per_acre, stand.per_acre_interval, M_PER_FOOT
        unit, row = "an acre", "foot"
    else:
        per, area, to_row = stand.per_ha, stand.per_ha_interval, 1.0
        unit, row = "a hectare", "metre"
    along = tuple(end * to_row for end in stand.per_m_row_interval)
    said = f"{stand.per_m_row * to_row:.2f} to a {row} of row ({along[0]:.2f} to {along[1]:.2f})"
    unseen = round(100 * stand.unseen_share)
    added = (
        f" {unseen} in 100 are added for plants that such photos usually miss."
        if unseen > 0
        else ""
    )
    bare = stand.rowless_share
    if per is None or area is None or stand.row_spacing_m is None:
        yield f"{said}, on one row: how many to an area can't be said.{added}"
        return
    if bare > 0.0:
        yield (
            f"{rounded(per)} {unit} ({_span(area)}, 90 in 100) over all the ground shown, of which "
            f"{_percent(bare)} has no rows.{added}"
        )
        yield f"Where rows stand {rounded(per / max(1 - bare, 0.01))} {unit}, {said}."
    else:
        yield f"{rounded(per)} {unit} ({_span(area)}, 90 in 100), {said}.{added}"
    rows = stand.row_spacing_m
    apart = f"{rows / M_PER_INCH:.1f} in" if us else f"{100 * rows:.0f} cm"
    if us:
        feet = SQUARE_M_PER_ACRE / 1000 / rows / M_PER_FOOT
        whole, inches = divmod(round(12 * feet), 12)
        yield (
            f"Rows {apart} apart; a thousandth of an acre is {whole} ft {inches} in of row, "
            f"with {per / max(1 - bare, 0.01) / 1000:.1f} plants."
        )
    else:
        yield f"Rows {apart} apart."


def _evenness(field: FieldAbove, us: bool) -> Iterator[str]:
    stand = field.stand
    if stand is None or stand.spacing_m is None:
        return
    apart = f"{stand.spacing_m / M_PER_INCH:.1f} in" if us else f"{100 * stand.spacing_m:.1f} cm"
    said = f"Plants {apart} apart in the row"
    if stand.spacing_cv is not None:
        said += f", give or take {100 * stand.spacing_cv:.0f}%"
    yield said + f"; doubles {100 * stand.doubles / max(stand.plants, 1):.1f} in 100 plants."
    gaps = [gap for frame in field.frames for gap in frame.gaps]
    missing = sum(gap.missing for gap in gaps)
    if not gaps:
        yield "No gap." if stand.rowless_share == 0.0 else "No gap in the rows that stand."
        return
    longest = max(gap.length_m for gap in gaps)
    length = f"{longest / M_PER_FOOT:.1f} ft" if us else f"{longest:.1f} m"
    share = 100 * missing / (stand.plants + missing)
    if len(field.frames) > 1:
        # Photos may overlap: what is added up over them would count a gap twice.
        rate = len(gaps) / max(stand.row_length_m, 1e-9) * (100 * M_PER_FOOT if us else 100)
        yield (
            f"{rate:.1f} gaps to 100 {'ft' if us else 'm'} of row, {share:.1f} in 100 plants "
            f"missing in them; the longest is {length}."
        )
        return
    yield (
        f"{count_of(len(gaps), 'gap')}, {missing} plants missing in them "
        f"({share:.1f} in 100); the longest is {length}."
    )


def _loose(field: FieldAbove, us: bool) -> Iterator[str]:
    """Plants without rows."""
    plants = sum(frame.plants.expected for frame in field.frames if frame.plants is not None)
    area = sum(f.area_m2 or 0.0 for f in field.frames if f.plants is not None)
    if area <= 0.0:
        return
    per = plants / area * (SQUARE_M_PER_ACRE if us else 10_000)
    yield f"About {rounded(per)} {'an acre' if us else 'a hectare'}; no rows were made out."


def _table(frames: tuple[FrameAbove, ...], us: bool, width: int) -> list[str]:
    head = ("Photo", "mm/px", "Plants", "An acre" if us else "A hectare", "Gaps", "Stages")
    rows = [head]
    for frame in frames[:FRAMES_SHOWN]:
        stand = frame.stand
        per = None if stand is None else stand.per_acre if us else stand.per_ha
        rows.append(
            (
                plain(frame.photo),
                "–" if frame.scale is None else f"{frame.scale.mm_per_px:.1f}",
                "–" if frame.plants is None else f"{len(frame.plants):,}",
                "–" if per is None else rounded(per),
                "–" if stand is None else str(len(frame.gaps)),
                range_words(frame.stages),
            )
        )
    sizes = [max(len(row[k]) for row in rows) for k in range(6)]
    sizes[0] = min(sizes[0], max(12, width - sum(sizes[1:]) - 10))
    lines = []
    for number, row in enumerate(rows):
        name = row[0] if len(row[0]) <= sizes[0] else "…" + row[0][1 - sizes[0] :]
        middle = [cell.rjust(size) for cell, size in zip(row[1:5], sizes[1:5], strict=True)]
        lines.append("  ".join([name.ljust(sizes[0]), *middle, row[5]]).rstrip())
        if number == 0:
            lines.append("  ".join("-" * size for size in sizes))
    if len(frames) > FRAMES_SHOWN:
        lines.append(f"and {len(frames) - FRAMES_SHOWN} more photos.")
    return lines


def _doubts(field: FieldAbove) -> Iterator[str]:
    """What is said of all photos, then each reason once, with the photos that give it."""
    if len(field.frames) > 1 or field.stand is not None:
        yield from field.reasons
    by_reason: dict[str, list[str]] = {}
    for frame in field.frames:
        for reason in frame.reasons:
            by_reason.setdefault(reason, []).append(plain(frame.photo))
    # What makes a spray unsafe is never among those left out.
    ranked = sorted(by_reason.items(), key=lambda one: (one[0] != OLDER_THAN_TOLD, -len(one[1])))
    for reason, photos in ranked[:REASONS_SHOWN]:
        if len(field.frames) == 1:
            yield reason
        elif len(photos) <= 3:
            yield f"{', '.join(photos)}: {reason}"
        else:
            yield f"{len(photos)} photos: {reason}"
    if len(ranked) > REASONS_SHOWN:
        yield f"{len(ranked) - REASONS_SHOWN} more remarks are in above.json."


def _percent(share: float) -> str:
    return f"{100 * share:.0f}%" if share >= 0.01 else "under 1%"


def rounded(value: float) -> str:
    """A count of plants to hundreds: it is known no better."""
    if value < 1000:
        return f"{value:.0f}"
    return f"{round(value, -2):,.0f}"


def _span(interval: Interval) -> str:
    return f"{rounded(interval[0])} to {rounded(interval[1])}"


def _wrap(words: str, width: int, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        words, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
