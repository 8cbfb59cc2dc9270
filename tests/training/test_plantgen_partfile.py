"""Part files: one odd sample is left out, a kind of sample that always fails ends the part."""

from __future__ import annotations

from pathlib import Path

import pytest

from training.plantgen.partfile import fill, next_index


def filled(fails: set[int], count: int) -> list[int]:
    """Indices that were written."""
    written: list[int] = []

    def write(index: int) -> None:
        if index in fails:
            raise ValueError("odd plant")
        written.append(index)

    fill(7, range(count), write, minutes=1.0, every=1000)
    return written


def test_an_odd_plant_is_left_out(capsys):
    assert filled({3, 40, 41}, 60) == [i for i in range(60) if i not in {3, 40, 41}]
    assert "part 7: sample 3 left out: ValueError('odd plant')" in capsys.readouterr().out


def test_a_kind_of_plant_that_always_fails_ends_the_part():
    with pytest.raises(RuntimeError, match=r"5 of 45 samples failed.*mend the generator"):
        filled(set(range(4, 1000, 10)), 1000)


def test_rare_ones_never_do():
    assert len(filled(set(range(150, 3000, 200)), 3000)) == 3000 - 15


def test_a_part_goes_on_after_its_last_whole_line(tmp_path: Path):
    lines = tmp_path / "truth.jsonl"
    assert next_index(lines) == 0
    rows = [f'{{"file": "00007_{n:06d}.jpg", "board": "weiß"}}\n' for n in range(3)]
    whole = "".join(rows).encode()
    lines.write_bytes(whole)
    assert next_index(lines) == 3
    assert lines.read_bytes() == whole
    last = len(rows[2].encode())
    for missing in range(1, last + 1):  # also within a letter of two bytes
        lines.write_bytes(whole[:-missing])
        assert next_index(lines) == 2, missing
        assert lines.read_bytes() == whole[:-last]
    lines.write_bytes(whole[:20])
    assert next_index(lines) == 0
    assert lines.read_bytes() == b""
