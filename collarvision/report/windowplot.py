"""Window plot: leaves and heights from day to day, and when each limit opens and closes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from collarvision.decision import FieldAnswer
from collarvision.heat import DateSpan
from collarvision.limitsfile import Limit
from collarvision.limitwords import VerdictWord
from collarvision.outlook import COLLARS_BELOW, Outlook, TrackDay
from collarvision.report.plots import MOST_LIMITS, NAME_ROW, WIDTH, height_limits, short
from collarvision.report.svg import Drawing, Point, round_steps
from collarvision.units import MM_PER, Shown
from collarvision.window import Window
from collarvision.windowtold import closed_by_harvest

_LANE = 38.0


@dataclass(frozen=True)
class _Days:
    """The days across the plot."""

    first: date
    last: date
    left: float = 34.0
    right: float = WIDTH - 10

    def at(self, day: date) -> float:
        inside = min(max(day, self.first), self.last)
        part = (inside - self.first).days / (self.last - self.first).days
        return self.left + part * (self.right - self.left)

    def end(self, day: date | None, missing: float) -> float:
        return missing if day is None else self.at(day)


@dataclass(frozen=True)
class _Frame:
    """A plot of values from `low` to `high` between two heights on the page."""

    top: float
    base: float
    low: float
    high: float

    def up(self, value: float) -> float:
        inside = min(max(value, self.low), self.high)
        return self.base - (inside - self.low) / (self.high - self.low) * (self.base - self.top)


def draw_window(answer: FieldAnswer, shown: Shown) -> str | None:
    """Draw it; None without temperatures from the visit on."""
    outlook = answer.outlook
    if outlook is None or not outlook.leaves:
        return None
    last = _last_day(answer, outlook)
    if last <= outlook.visits[0].day:
        return None
    days = _Days(outlook.visits[0].day, last)
    limits = answer.limits.limits[:MOST_LIMITS] if answer.limits else ()
    lanes = [
        (limit, one)
        for limit in limits
        for one in [answer.window_of(limit.name)]
        if limit.name in answer.undatable or (one and (one.opens or one.closes))
    ]
    leaves = _leaf_frame(outlook, limits, last)
    base, heights = leaves.base, None
    if outlook.heights:
        heights = _height_frame(answer, outlook, leaves.base + 58, last)
        base = heights.base
    lane_top = base + 38
    bottom = lane_top + _LANE * len(lanes)
    drawing = Drawing(
        WIDTH, bottom + 4, "Leaves by day, and the days on which each limit opens and closes"
    )
    _leaves(drawing, outlook, limits, days, leaves)
    if heights is not None:
        _heights(drawing, answer, outlook, days, heights, shown)
    _axis(drawing, days, base)
    today = days.at(answer.today)
    drawing.line([(today, leaves.top - 6), (today, bottom)], "today")
    on_left = today > WIDTH * 0.7
    drawing.words(
        today + (-4 if on_left else 4),
        leaves.top - 8,
        f"{answer.today:%m-%d}",
        "small soft",
        "end" if on_left else "start",
    )
    for number, (limit, one) in enumerate(lanes):
        y = lane_top + _LANE * number
        if one is None:
            drawing.words(days.left, y + 4, f"{short(limit.name, 34)}: can't tell yet", "small")
            _unknown(drawing, days.left, days.right, y + 10)
            continue
        drawing.words(days.left, y + 4, short(limit.name, 46), "small")
        word = next(v.word for v in answer.verdicts if v.name == limit.name)
        _lane(drawing, one, limit, word, days, outlook.visits[-1].day, y + 10)
    return drawing.text()


def _leaf_frame(outlook: Outlook, limits: Sequence[Limit], last: date) -> _Frame:
    shown = [day for day in outlook.collars if day.day <= last]
    measured = [visit.leaves for visit in outlook.visits]
    bounds = [float(limit.highest.leaves) for limit in limits if limit.highest.leaves is not None]
    # Far beyond the last limit nobody looks: the band is cut off there.
    high = min(max(day.high for day in shown), max([*bounds, *measured]) + 3.0)
    return _Frame(40.0, 210.0, float(max(int(min(measured)) - 1, 0)), max(high, measured[-1] + 1.5))


def _leaves(
    drawing: Drawing, outlook: Outlook, limits: Sequence[Limit], days: _Days, frame: _Frame
) -> None:
    step = 1 if frame.high - frame.low < 10 else 2
    ticks = [(float(k), f"{k}") for k in range(int(frame.low), int(frame.high) + 1, step) if k]
    _course(drawing, outlook.collars, days, frame, ticks)
    drawing.words(2, frame.top - 26, "collars, mean of the field", "small soft")
    # A mean half a leaf short of the first number past a limit has half of the plants there.
    _limit_lines(
        drawing,
        days,
        frame,
        "past for half",
        [
            (limit.highest.leaves + 1 - COLLARS_BELOW, limit.name)
            for limit in limits
            if limit.highest.leaves is not None and limit.leaf == "collars"
        ],
    )
    for visit in outlook.visits:
        middle, error = visit.leaves, 1.96 * visit.leaves_error
        x = days.at(visit.day)
        drawing.line([(x, frame.up(middle - error)), (x, frame.up(middle + error))], "range")
        drawing.dot(x, frame.up(middle), 4.5, "mark")


def _height_frame(answer: FieldAnswer, outlook: Outlook, top: float, last: date) -> _Frame:
    bounds = [mm for _, mm in height_limits(answer)]
    measured = [v.tallest_mm for v in outlook.visits if v.tallest_mm is not None]
    highest = max(day.high for day in outlook.heights if day.day <= last)
    return _Frame(top, top + 110, 0.0, min(highest, 1.3 * max([*bounds, *measured])))


def _heights(
    drawing: Drawing,
    answer: FieldAnswer,
    outlook: Outlook,
    days: _Days,
    frame: _Frame,
    shown: Shown,
) -> None:
    unit = float(MM_PER[shown.length])
    ticks = [(value * unit, f"{value:g}") for value in round_steps(0, frame.high / unit, 3)]
    _course(drawing, outlook.heights, days, frame, ticks)
    drawing.words(2, frame.top - 22, f"tallest tenth, {shown.length}", "small soft")
    limits = answer.limits.limits[:MOST_LIMITS] if answer.limits else ()
    _limit_lines(
        drawing,
        days,
        frame,
        "up to",
        [
            (limit.highest.height_mm, limit.name)
            for limit in limits
            if limit.highest.height_mm is not None
        ],
    )
    for visit in outlook.visits:
        if visit.tallest_mm is not None:
            drawing.dot(days.at(visit.day), frame.up(visit.tallest_mm), 4.5, "mark")


def _limit_lines(
    drawing: Drawing,
    days: _Days,
    frame: _Frame,
    what: str,
    limits: Sequence[tuple[float, str]],
) -> None:
    """Dashed lines with their names; lines too near to each other for that share one row."""
    rows: list[list[tuple[float, str]]] = []
    for value, name in sorted(limits, key=lambda one: -one[0]):
        if not frame.low < value < frame.high:
            continue
        y = frame.up(value)
        drawing.line([(days.left, y), (days.right, y)], "limit")
        if rows and y - rows[-1][-1][0] < NAME_ROW:
            rows[-1].append((y, name))
        else:
            rows.append([(y, name)])
    for row in rows:
        names, most = [name for _, name in row], 2
        said = "; ".join(short(name, 36 // min(len(names), most)) for name in names[:most])
        more = f" (+ {len(names) - most})" if len(names) > most else ""
        drawing.words(days.left + 4, row[0][0] - 4, f"{what}: {said}{more}", "small")


def _course(
    drawing: Drawing,
    track: Sequence[TrackDay],
    days: _Days,
    frame: _Frame,
    ticks: Sequence[tuple[float, str]],
) -> None:
    """A band that holds 90 in 100 around a middle line, dashed where the weather is ahead."""
    for value, name in ticks:
        y = frame.up(value)
        drawing.line([(days.left, y), (days.right, y)], "grid")
        drawing.words(days.left - 5, y + 4, name, "small soft", "end")
    shown = [day for day in track if day.day <= days.last]

    def points(of: Callable[[TrackDay], float], some: Sequence[TrackDay]) -> list[Point]:
        return [(days.at(day.day), frame.up(of(day))) for day in some]

    drawing.area(
        points(lambda d: d.high, shown) + points(lambda d: d.low, shown)[::-1],
        "band",
    )
    # A middle that leaves the frame at its top stops there.
    inside = [day for day in shown if day.middle <= frame.high]
    seen = [day for day in inside if not day.ahead]
    if len(seen) > 1:
        drawing.line(points(lambda d: d.middle, seen), "course")
    drawing.line(points(lambda d: d.middle, inside[max(len(seen) - 1, 0) :]), "course ahead")
    drawing.line([(days.left, frame.base), (days.right, frame.base)], "axis")


def _lane(
    drawing: Drawing,
    one: Window,
    limit: Limit,
    word: VerdictWord,
    days: _Days,
    visit: date,
    y: float,
) -> None:
    """A strip: pale where it may be open, full where it surely is.

    No date is told from before the visit: what began or ended by then did so at some time unknown.
    """
    left, right, seen = days.left, days.right, days.at(visit)
    opens, closes = one.opens, one.closes
    end = days.end(closed_by_harvest(one), right)  # whatever its plants allow
    open_early = open_late = left
    if opens is not None:
        open_early, open_late = days.end(opens.early, right), days.end(opens.late, right)
    elif limit.lowest:
        # The opening alone can't be foretold. Whether it was is known of the visit.
        open_early, open_late = seen, right if word == "too early" else seen
    close_early = close_late = end
    if closes is not None:
        close_early, close_late = days.end(closes.early, end), days.end(closes.late, end)
    elif limit.highest:
        close_early = min(seen, end)
    ended = closes is not None and close_early <= seen
    if one.closes_told in ("at the latest", "unknown"):
        close_early = min(seen, close_early)  # nobody can foretell what may close it first
    if one.opens_told == "not before":
        open_late = right
    drawing.box(left, y, right - left, 12, "lane")
    drawing.box(open_early, y, close_late - open_early, 12, "lane may")
    drawing.box(open_late, y, close_early - open_late, 12, "lane sure")
    if ended or (limit.lowest and open_early <= seen and word != "too early"):
        _unknown(drawing, left, seen, y)


def _unknown(drawing: Drawing, left: float, right: float, y: float) -> None:
    drawing.box(left, y, right - left, 12, "lane unknown")
    if right - left > 14:
        drawing.words((left + right) / 2, y + 10, "?", "small soft", "middle")


def _axis(drawing: Drawing, days: _Days, base: float) -> None:
    span = (days.last - days.first).days
    step = next((s for s in (1, 2, 7, 14, 28) if span / s <= 6), 28)
    day = days.first
    while day <= days.last:
        x = days.at(day)
        drawing.line([(x, base), (x, base + 4)], "axis")
        # Month and day in ISO's order; the year stands in the text.
        anchor = "end" if x > WIDTH - 20 else "middle"
        drawing.words(x, base + 16, f"{day:%m-%d}", "small soft", anchor)
        day += timedelta(days=step)


def _last_day(answer: FieldAnswer, outlook: Outlook) -> date:
    """As far as the windows need, and a little."""
    wanted = [answer.today + timedelta(days=14)]
    for one in outlook.windows:
        wanted += [day for span in (one.opens, one.closes) for day in _ends(span)]
    return min(max(wanted) + timedelta(days=3), outlook.leaves[-1].day)


def _ends(span: DateSpan | None) -> list[date]:
    return [] if span is None else [d for d in (span.early, span.middle, span.late) if d]
