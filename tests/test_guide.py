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
        found = parse_limits(block)
        # Days before a harvest that nobody gives can't be told: who copies the block can go on.
        counts_back = any(limit.days_before_harvest is not None for limit in found.limits)
        assert found.planned_harvest is not None or not counts_back


def test_no_page_sends_its_reader_to_the_code() -> None:
    for page in FOR_USERS:
        assert not [link for link in links(page) if link.partition("#")[0].endswith(".py")]


def test_images_that_are_run_were_built() -> None:
    shown = "\n".join(blocks(ROOT / "guide" / "many-machines.md", "sh")).replace("\\\n", " ")
    docker = [shlex.split(line) for line in shown.splitlines() if line.startswith("docker ")]
    (built,) = (words[words.index("-t") + 1] for words in docker if words[1] == "build")
    run = [words for words in docker if words[1] == "run"]
    assert run
    for words in run:
        assert words[words.index(built) + 1] in ("dask", "collarvision")


def test_every_command_that_takes_a_check_bar_is_named_where_the_card_is_measured() -> None:
    takes = {
        name
        for name, command in COMMANDS.items()
        if any("--check-bar" in param.opts for param in command.params)
    }
    told = re.search(r"Measure its check bar\.(.*?)--check-bar", README.read_text("utf-8"), re.S)
    assert told is not None
    assert takes == set(re.findall(r"`(\w+)`", told[1]))


@pytest.mark.parametrize("page", [README, ROOT / "guide" / "decision.md"], ids=lambda p: p.name)
def test_the_caution_stands_where_a_spray_decision_is_shown(page: Path) -> None:
    assert CAUTION in " ".join(page.read_text("utf-8").split())


def test_the_readme_stays_short() -> None:
    assert len(README.read_text("utf-8").splitlines()) <= 190
