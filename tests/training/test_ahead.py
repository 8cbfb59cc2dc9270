"""Things made ahead: in order, a few at a time, and faults told where the thing is wanted."""

from __future__ import annotations

import queue
import threading
import time

import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")

from training import ahead as ahead_room  # noqa: E402
from training.ahead import Ahead  # noqa: E402

pytestmark = pytest.mark.torch
CPU = torch.device("cpu")


def no_tensors(_: object) -> list[torch.Tensor]:
    return []


def test_items_come_in_order_and_no_more_are_made_than_may_wait() -> None:
    made: list[int] = []

    def make() -> int:
        made.append(len(made))
        return made[-1]

    ahead = Ahead(make, no_tensors, CPU, ahead=2)
    end = time.monotonic() + 5
    while len(made) < 3 and time.monotonic() < end:
        time.sleep(0.01)
    time.sleep(0.3)
    assert len(made) == 3  # two wait, and one stands at the door
    assert [ahead.next() for _ in range(5)] == [0, 1, 2, 3, 4]
    ahead.stop()
    assert ahead.waited_s < 5


def test_a_fault_is_told_where_the_item_is_wanted_and_the_next_one_still_comes() -> None:
    turns = iter(range(100))

    def make() -> int:
        turn = next(turns)
        if turn == 1:
            raise RuntimeError("no photo")
        return turn

    ahead = Ahead(make, no_tensors, CPU, ahead=1)
    assert ahead.next() == 0
    with pytest.raises(RuntimeError, match="no photo"):
        ahead.next()
    assert ahead.next() == 2
    ahead.stop()


def test_stopping_ends_the_thread_though_nobody_takes_what_is_made() -> None:
    before = threading.active_count()
    ahead = Ahead(lambda: torch.zeros(2), lambda item: [item], CPU, ahead=1)
    assert threading.active_count() == before + 1
    ahead.stop()
    assert threading.active_count() == before


def test_no_gradient_is_kept_of_how_an_item_was_made() -> None:
    weight = torch.ones(3, requires_grad=True)
    ahead = Ahead(lambda: weight * 2, lambda item: [item], CPU, ahead=1)
    assert not ahead.next().requires_grad
    ahead.stop()


def test_who_waits_too_long_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead_room, "PATIENCE_S", 0.05)
    ahead = Ahead(lambda: time.sleep(0.5), no_tensors, CPU, ahead=1)
    with pytest.raises(queue.Empty):
        ahead.next()
    ahead.stop()
