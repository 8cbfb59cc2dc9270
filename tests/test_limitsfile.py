"""Limits file: what a user types, with messages that name the line. All products are invented."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from collarvision.limitsfile import Bound, LimitsError, parse_limits, read_limits
from collarvision.limitstable import FileTable, LimitTable, MixTable

GOOD = """\
planned_harvest = 2026-09-25
visit_good_days = 4

[[limit]]
name = "Product A, over the top"
method = "broadcast"
leaf = "collars"
min_leaves = 2
min_height = "4 in"
min_when = "either"
max_leaves = 6
max_height = "20 in"
days_before_harvest = 45

[[limit]]
name = "Product A, under the leaves"
method = "directed with drop nozzles"
leaf = "collars"
max_leaves = 10
max_height = "91.44 cm"
max_when = "both"
"""


def test_the_example_in_the_guide_is_a_file_that_is_taken_and_names_every_key() -> None:
    guide = Path(__file__).resolve().parent.parent / "guide" / "decision.md"
    (example,) = re.findall(r"^```toml\n(.*?)^```$", guide.read_text("utf-8"), re.M | re.S)
    found = parse_limits(example)
    assert len(found.limits) == 2
    assert found.mixes[0].limits == tuple(limit.name for limit in found.limits)
    for table in (FileTable, LimitTable, MixTable):
        for key in table.model_fields:
            assert re.search(rf"^(\[\[)?{key}\b", example, re.M), key


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(GOOD, encoding="utf-8")
    found = read_limits(path)
    first, second = found.limits
    assert first.highest == Bound(6, 508.0, "20 in")
    assert first.lowest == Bound(2, 101.6, "4 in")
    assert first.share_past == 0
    assert second.highest_when == "both"
    assert second.highest.height_mm == pytest.approx(914.4)  # 36 in
    assert found.planned_harvest == date(2026, 9, 25)
    assert found.visit_good_days == 4


def edited(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new, 1)


MIX = '\n[[tank_mix]]\nname = "M"\nlimits = ["Product A, over the top", "{}"]\n'


@pytest.mark.parametrize(
    ("source", "line", "said"),
    [
        (edited("max_leaves = 6", "max_leafs = 6"), 11, "did you mean 'max_leaves'?"),
        (edited("max_leaves = 6", "colour = 6"), 11, "the keys here are name"),
        (edited("visit_good_days", "vist_good_days"), 2, "did you mean 'visit_good_days'?"),
        (edited("max_leaves = 6", "max_leaves = 1"), 8, "no plant fits"),
        (edited('"20 in"', '"3 in"'), 9, "no plant fits"),
        (edited('"20 in"', '"20"'), 12, "has no unit"),
        (edited('"20 in"', "20"), 12, "needs a unit"),
        (edited('"20 in"', '"20 m"'), 12, "check the unit"),
        (edited("max_leaves = 6", 'max_leaves = "six"'), 11, "max_leaves can't be 'six'"),
        (edited("max_leaves = 6", "max_leaves = 40"), 11, "max_leaves can't be 40"),
        (edited('leaf = "collars"', 'leaf = "leaf"'), 7, 'choose one of "collars"'),
        (edited('leaf = "collars"\n', ""), 7, "say what a leaf is"),
        (edited('min_when = "either"\n', ""), 9, 'say min_when = "either" or "both"'),
        (edited('max_when = "both"', 'max_when = "either"'), 21, 'one of "whichever first"'),
        (edited('method = "broadcast"\n', ""), 4, "'method' is missing"),
        (edited("2026-09-25", '"soon"'), 1, "write it like 2026-09-25"),
        (edited(", under the leaves", ", over the top"), 16, "rename one"),
        (
            edited('[[limit]]\nname = "Product A, o', '[[limits]]\nname = "Product A, o'),
            4,
            "'limit'",
        ),
        (edited("visit_good_days = 4", "visit_good_days = "), 2, "isn't TOML"),
        (edited("visit_good_days = 4", "visit_good_days = 8"), 2, "whole number of days, 0 to 7"),
        (edited("days_before_harvest = 45", "days_before_harvest = -1"), 13, "can't be -1"),
        (edited("max_leaves = 6", "max_leaves = true"), 11, "whole number from 0 to 22"),
        (edited('name = "Product A, over the top"', "name = 1"), 5, "a name in quotes"),
        (GOOD + '[[tank_mix]]\nname = "M"\nlimits = ["x"]\n', 24, "two limits or more"),
        (GOOD + '[[tank_mix]]\nname = "M"\nlimits = [1, 2]\n', 24, "two limits or more"),
        (GOOD + "share_past = 1.0\n", 22, "share_past can't be 1.0"),
        (GOOD + MIX.format("Product A, under the leafs"), 25, "'Product A, under the leaves'?"),
        (GOOD + '[[limit]]\nname = "N"\nmethod = "broadcast"\n', 23, "limits nothing"),
        (edited('"20 in"', '"5 mm"'), 12, "check the unit"),
        (edited('"20 in"', '"1,000 mm"'), 12, "1000 mm or 1.000 mm: write it without a comma"),
        (
            GOOD + 2 * MIX.format("Product A, under the leaves"),
            28,
            "two tank mixes are called 'M': rename one.",
        ),
        (
            GOOD + MIX.format("Product A, over the top"),
            25,
            "'Product A, over the top' is in this tank mix twice: name each of its limits once.",
        ),
        ('[limit]\nname = "N"\n', 1, "two brackets"),
        ('[limit]\nname = "N"\n[limit]\nname = "M"\n', 3, "[[limit]] with two brackets"),
        (GOOD + '[ tank_mix ] # both\nname = "M"\n[tank_mix]', 22, "[[tank_mix]] with two"),
        (edited("max_leaves = 6", "max_leaves = 6\nmax_leaves = 7"), 12, "stands here twice"),
        ("", 1, "begin one with a line [[limit]]"),
    ],
)
def test_messages_name_the_line(source: str, line: int, said: str) -> None:
    with pytest.raises(LimitsError) as caught:
        parse_limits(source, "limits.toml")
    assert any(
        problem.startswith(f"limits.toml, line {line}: ") and said in problem
        for problem in caught.value.problems
    ), caught.value.problems
    assert not any("pydantic" in problem for problem in caught.value.problems)


def test_a_mix_that_can_never_be_open() -> None:
    late = '\n[[limit]]\nname = "Late"\nmethod = "b"\nleaf = "collars"\nmin_leaves = 7\n'
    with pytest.raises(LimitsError, match="line 31: 'M' can never be open: 'Late' begins after"):
        parse_limits(GOOD + late + MIX.format("Late"), "limits.toml")


def test_a_mix_with_a_part_that_leaves_alone_do_not_end_may_be_open() -> None:
    """Of ten leaves and 36 in both: a short plant of eleven leaves is inside still."""
    late = '\n[[limit]]\nname = "Late"\nmethod = "b"\nleaf = "collars"\nmin_leaves = 11\n'
    mix = '\n[[tank_mix]]\nname = "M"\nlimits = ["Product A, under the leaves", "Late"]\n'
    assert len(parse_limits(GOOD + late + mix).mixes) == 1
    first = edited('max_when = "both"', 'max_when = "whichever first"')
    with pytest.raises(LimitsError, match="'M' can never be open: 'Late' begins after"):
        parse_limits(first + late + mix)


def test_every_problem_is_told_at_once() -> None:
    source = edited("max_leaves = 6", "max_leafs = 6").replace('"4 in"', "4")
    with pytest.raises(LimitsError) as caught:
        parse_limits(source)
    assert len(caught.value.problems) == 2
    assert str(caught.value).count("\n") == 1


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("name = " + "[" * 5000 + "]" * 5000, "brackets stand too deep in each other"),
        ("visit_good_days = " + "9" * 5000, "a number is too long"),
    ],
)
def test_what_the_parser_gives_up_on_is_one_sentence(source: str, said: str) -> None:
    with pytest.raises(LimitsError) as caught:
        parse_limits(source, "l.toml")
    assert str(caught.value) == f"l.toml can't be read: {said}. Write key = value."


def test_a_full_stop_after_a_unit_is_no_part_of_it() -> None:
    source = 'max_leaves = 6\nleaf = "collars"\nname = "A"\nmethod = "broadcast"\n'
    (limit,) = parse_limits("[[limit]]\n" + source + 'max_height = "20 in."\n').limits
    assert (limit.highest.height_mm, limit.highest.height_text) == (508.0, "20 in")


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match="can't be read"):
        read_limits(tmp_path / "none.toml")
    binary = tmp_path / "limits.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LimitsError, match="UTF-8"):
        read_limits(binary)
