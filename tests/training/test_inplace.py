"""In place: a promotion that is cut short anywhere never loses the network before it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from training.inplace import promote, put_right, roll_back

NAMES = ("collarvision.onnx", "calibration.json", "known.json")
STEPS = (
    *((os, name) for name in ("replace", "rename", "unlink", "mkdir", "rmdir")),
    *((shutil, name) for name in ("copyfile", "rmtree")),
    *((Path, name) for name in ("touch", "write_text")),
)


class CutShort(BaseException):
    """Stands for the end of the process."""


def network(folder: Path, weights: Path, said: str, names: tuple[str, ...] = NAMES) -> None:
    """Put a network and what belongs to it into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in NAMES:
        (folder / name).unlink(missing_ok=True)
        if name in names:
            (folder / name).write_text(said)
    weights.write_text(said)


def in_place(models: Path, weights: Path) -> dict[str, str]:
    """What every file says, spare ones aside."""
    found = {path.name: path.read_text() for path in models.iterdir() if path.suffix != ".part"}
    return found | {"weights": weights.read_text()}


def promoted_over(
    home: Path, old: tuple[str, ...] = NAMES, new: tuple[str, ...] = NAMES[:2]
) -> tuple[Path, Path, Path]:
    """Promote "old" over "older" and lay "new" ready: out, models and weights."""
    out, models, weights = home / "out", home / "models", home / "weights.pt"
    candidate = out / "candidate"
    network(models, weights, "older")
    network(candidate, candidate / "checkpoint.pt", "old", old)
    promote(out, models, weights)
    network(candidate, candidate / "checkpoint.pt", "new", new)
    return out, models, weights


@contextmanager
def cut_short(step: int) -> Iterator[list[int]]:
    """Let the process end in place of the so-many-th change of a file; holds it if it got there."""
    left, was_cut = iter(range(step)), []

    def ending(real: Callable[..., object]) -> Callable[..., object]:
        def change(*words: object, **options: object) -> object:
            if next(left, None) is None:
                raise CutShort
            return real(*words, **options)

        return change

    with pytest.MonkeyPatch.context() as patch:
        for module, name in STEPS:
            patch.setattr(module, name, ending(getattr(module, name)))
        try:
            yield was_cut
        except CutShort:
            was_cut.append(step)


def test_a_promotion_cut_short_anywhere_and_run_again_keeps_the_network_before(
    tmp_path: Path,
) -> None:
    """What lies in place then may be of two networks: it must never be taken for the one before."""
    for step in range(100):
        out, models, weights = promoted_over(tmp_path / str(step), NAMES[:2], NAMES)
        old = in_place(models, weights)
        with cut_short(step) as was_cut:
            promote(out, models, weights)
        if not was_cut:
            break
        if step % 2:  # as well when the one that mends it is cut short
            with cut_short(step // 2) as again:
                promote(out, models, weights)
            assert again
        promote(out, models, weights)
        assert set(in_place(models, weights).values()) == {"new"}, step
        roll_back(out)
        assert in_place(models, weights) == old, step
    assert 10 < step < 99


def test_rolling_back_after_a_cut_leaves_one_whole_network(tmp_path: Path) -> None:
    for step in range(100):
        out, models, weights = promoted_over(tmp_path / str(step))
        with cut_short(step) as was_cut:
            promote(out, models, weights)
        if not was_cut:
            break
        roll_back(out)
        found = in_place(models, weights)
        assert set(found) == {*NAMES, "weights"}, step
        assert len(set(found.values())) == 1, (step, found)


def test_a_promotion_cut_short_twice_loses_none_of_the_networks_before(tmp_path: Path) -> None:
    """Cut anywhere, and what mends it cut anywhere: the way back still goes on to the first."""
    again, step = 0, 0
    while step < 100:
        out, models, weights = promoted_over(tmp_path / f"{step}-{again}")
        with cut_short(step) as was_cut:
            promote(out, models, weights)
        if not was_cut:
            break
        with cut_short(again) as mending_cut:
            put_right(out)
        again, step = (again + 1, step) if mending_cut else (0, step + 1)
        put_right(out)
        assert in_place(models, weights) == {**dict.fromkeys(NAMES, "old"), "weights": "old"}
        roll_back(out)
        assert in_place(models, weights) == {**dict.fromkeys(NAMES, "older"), "weights": "older"}
        assert {path.name for path in out.iterdir()} <= {"candidate", "previous", "previous.part"}
    assert 10 < step < 99


def test_a_way_back_cut_short_is_gone_on_with(tmp_path: Path) -> None:
    for step in range(100):
        out, models = tmp_path / str(step), tmp_path / f"{step}-models"
        weights, candidate = tmp_path / f"{step}.pt", out / "candidate"
        network(models, weights, "old")
        network(candidate, candidate / "checkpoint.pt", "new", NAMES[:2])
        promote(out, models, weights)
        with cut_short(step) as was_cut:
            roll_back(out)
        if not was_cut:
            break
        promote(out, models, weights)
        roll_back(out)
        found = in_place(models, weights)
        # Cut before anything moved, the promoted network is the one before.
        assert found in (
            {**dict.fromkeys(NAMES, "old"), "weights": "old"},
            {**dict.fromkeys(NAMES[:2], "new"), "weights": "new"},
        ), step
