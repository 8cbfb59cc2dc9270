"""README, DEVELOPERS and guide: links lead somewhere, and what they show to type is understood."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import typer

from collarvision.cli import app
from collarvision.limitsfile import parse_limits

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
GUIDE = sorted((ROOT / "guide").glob("*.md"))
FOR_USERS = [README, *GUIDE]
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]
CAUTION = "the label is the law; local rules and licensed practice decide."

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.M | re.S)


def prose(page: Path) -> str:
    """The text of a page without its blocks of code."""
    return _FENCE.sub("", page.read_text("utf-8"))


def blocks(page: Path, language: str) -> list[str]:
    return [text for kind, text in _FENCE.findall(page.read_text("utf-8")) if kind == language]


def anchors(page: Path) -> set[str]:
    """What a link may name of a page: its headings, as GitHub spells them in addresses."""
    headings = re.findall(r"^#+ (.+)$", prose(page), re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def links(page: Path) -> list[str]:
    targets = re.findall(r"\]\(([^)\s]+)\)", prose(page))
    return [target for target in targets if not re.match(r"[a-z]+:", target)]


def inline(page: Path) -> list[str]:
    """The code within sentences, each on one line."""
    return [" ".join(code.split()) for code in re.findall(r"`([^`]+)`", prose(page))]


def command_lines(page: Path) -> list[list[str]]:
    """The words after `collarvision` wherever a page shows a command of its own."""
    lines = [code for code in inline(page) if code.startswith("collarvision ")]
    for block in blocks(page, "sh"):
        lines += block.replace("\\\n", " ").splitlines()
    found = []
    for line in lines:
        words = shlex.split(line, comments=True)
        starts = [at for at, word in enumerate(words) if Path(word).name == "collarvision"]
        if starts:
            found.append(words[starts[-1] + 1 :])
    return found


@pytest.mark.parametrize("page", [*FOR_USERS, ROOT / "DEVELOPERS.md"], ids=lambda page: page.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in links(page):
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        assert target.exists(), f"{page.name}: {link}"
        if anchor:
            assert anchor in anchors(target), f"{page.name}: {link}"


def test_each_page_of_the_guide_is_linked_from_the_readme_and_links_back() -> None:
    assert GUIDE
    for page in GUIDE:
        assert f"guide/{page.name}" in links(README)
        assert "../README.md" in links(page)


@pytest.mark.parametrize("page", FOR_USERS, ids=lambda page: page.name)
def test_every_command_shown_is_one_that_is_there_with_its_options(page: Path) -> None:
    lines = command_lines(page)
    assert lines
    for name, *words in lines:
        assert name in COMMANDS, f"{page.name}: {name}"
        command = COMMANDS[name]
        # Raises on an option that the command doesn't know, or one that lacks its value.
        command.make_parser(command.context_class(command)).parse_args(words)


@pytest.mark.parametrize("page", FOR_USERS, ids=lambda page: page.name)
def test_every_option_named_is_one_of_some_command(page: Path) -> None:
    known = {opt for command in COMMANDS.values() for param in command.params for opt in param.opts}
    named = {found for code in inline(page) for found in re.findall(r"(?<!\S)--[a-z-]+", code)}
    assert named <= known


def test_limits_shown_are_limits_that_are_understood() -> None:
    shown = [block for page in FOR_USERS for block in blocks(page, "toml")]
    assert len(shown) == 2
    for block in shown:
        # days_before_harvest wants a harvest, which the example names in words.
        assert parse_limits("planned_harvest = 2027-10-10\n" + block).limits


@pytest.mark.parametrize("page", [README, ROOT / "guide" / "decision.md"], ids=lambda p: p.name)
def test_the_caution_stands_where_a_spray_decision_is_shown(page: Path) -> None:
    assert CAUTION in " ".join(page.read_text("utf-8").split())


def test_the_readme_stays_short() -> None:
    assert len(README.read_text("utf-8").splitlines()) <= 190
