"""Progress: one bar for every long job, with the time left and, over photos, counts by outcome."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

FEWEST = 3
"""Photos from which a bar is worth its line."""


@contextmanager
def photo_progress(
    total: int, title: str, *, shown: bool = True, order: Sequence[str] = ()
) -> Iterator[Callable[[str, int], None]]:
    """Give a function to call with an outcome's name and how many photos are done by then.

    It draws only where a person watches and photos are many. Outcomes are named in `order`; those
    that aren't in it, by name.
    """
    if not shown or total < FEWEST or not sys.stderr.isatty():
        yield lambda outcome, done: None
        return
    with _bar(title, "left  {task.description}") as bar:
        task = bar.add_task("", total=total)
        counts = dict.fromkeys(order, 0)

        def tell(outcome: str, done: int) -> None:
            counts[outcome] = counts.get(outcome, 0) + 1
            names = [*order, *sorted(counts.keys() - set(order))]
            said = ", ".join(f"{counts[name]} {name}" for name in names if counts[name])
            bar.update(task, completed=done, description=said)

        yield tell


@contextmanager
def step_progress(title: str, *, shown: bool = True) -> Iterator[Callable[[int, int], None]]:
    """Give a function to call with steps done and all steps, as of one picture's tiles.

    How many there are need not be known before the first call.
    """
    if not shown or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    with _bar(title, "left") as bar:
        task = bar.add_task("", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _bar(title: str, after: str) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TimeLeft(compact=True),
        TextColumn(after),
    )
    return Progress(*columns, console=Console(stderr=True), transient=True)
