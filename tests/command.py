"""Running the command in the tests' own process."""

from __future__ import annotations

from typing import Any

from typer.testing import CliRunner

from collarvision.cli import app
from collarvision.record import Record


def run(*words: object) -> Any:
    """Run the command; the result has exit_code, stdout and stderr."""
    # Units follow the locale: the same one on every machine.
    runner = CliRunner(env={"LC_ALL": "en_US.UTF-8"})
    return runner.invoke(app, [str(word) for word in words], catch_exceptions=False)


def records(*words: object) -> list[Record]:
    """Stage and give the records, each checked against the contract."""
    result = run("stage", "--format", "jsonl", *words)
    assert result.exit_code == 0, result.output
    return [Record.model_validate_json(line) for line in result.stdout.splitlines()]
