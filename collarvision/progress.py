"""Progress: one bar for every job over many photos, with the time left and counts by outcome."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

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
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TimeLeft(compact=True),
        TextColumn("left  {task.description}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=total)
        counts = dict.fromkeys(order, 0)

        def tell(outcome: str, done: int) -> None:
            counts[outcome] = counts.get(outcome, 0) + 1
            names = [*order, *sorted(counts.keys() - set(order))]
            said = ", ".join(f"{counts[name]} {name}" for name in names if counts[name])
            bar.update(task, completed=done, description=said)

        yield tell
