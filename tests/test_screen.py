"""The screen: standard output that is full, closed, or has lost its reader."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_images"

pytestmark = pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")


def shell(words: str, end: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a shell, its words followed by where its outputs go."""
    return subprocess.run(
        [
            "bash",
            "-o",
            "pipefail",
            "-c",
            f"{shlex.quote(sys.executable)} -m collarvision {words} {end}",
        ],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
    )


@pytest.fixture(scope="module")
def outline(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("outline") / "field.geojson"
    ring = [[-93.6, 41.5], [-93.596, 41.5], [-93.596, 41.503], [-93.6, 41.503], [-93.6, 41.5]]
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    return path


@pytest.mark.parametrize("words", ["--help", "--version", "plan --area 40ac", "stage --help"])
def test_a_full_standard_output_is_one_sentence_and_status_3(words: str) -> None:
    done = shell(words, "> /dev/full")
    assert done.returncode == 3
    assert done.stderr == (
        "the output can't be written (No space left on device): free some space or choose another "
        "place.\n"
    )


def test_a_full_standard_output_is_no_fault_of_the_survey(tmp_path: Path, stand_in: Path) -> None:
    survey = tmp_path / "s.survey"
    done = shell(f"batch {next(SAMPLES.glob('*.jpg'))} --survey {survey} --field N", "> /dev/full")
    assert done.returncode == 3
    assert "the output can't be written (No space left on device)" in done.stderr
    assert "can't be used where it is" not in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


@pytest.mark.parametrize("end", [">&-", ">&- 2>&-", "2>&-"])
@pytest.mark.parametrize(
    ("words", "status"), [("--version", 0), ("plan", 2), (f"stage {SAMPLES / 'plant_01.jpg'}", 0)]
)
def test_closed_outputs_are_written_nowhere(
    words: str, status: int, end: str, stand_in: Path
) -> None:
    done = shell(words, end)
    assert done.returncode == status
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "words", [f"stage {SAMPLES} --format jsonl", "plan --boundary {outline} --format geojson"]
)
def test_a_reader_that_has_seen_enough_ends_it_without_a_word(words: str, outline: Path) -> None:
    done = shell(words.format(outline=outline), "| true")
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
    assert "can't be written" not in done.stderr


@pytest.mark.parametrize("end", ["2>&1 | true", "2> >(true)", "2> /dev/full"])
@pytest.mark.parametrize(
    ("words", "status"), [("plan", 2), ("plan --area x", 2), ("batch nowhere --survey s.survey", 2)]
)
def test_a_standard_error_that_nobody_reads_leaves_the_status(
    words: str, status: int, end: str
) -> None:
    """Late enough that the reader is gone: `sleep` holds it back until then."""
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c",
         f"(sleep 0.3; exec {shlex.quote(sys.executable)} -m collarvision {words}) {end}"],
        capture_output=True, text=True, cwd=ROOT, timeout=120,
    )  # fmt: skip
    assert done.returncode == status


def test_a_standard_error_that_nobody_reads_leaves_the_output_whole(tmp_path: Path) -> None:
    out = tmp_path / "plan.txt"
    done = shell(f"plan --area 40ac --out {out}", "2>&1 | true")
    assert done.returncode == 0
    assert "Walking plan" in out.read_text()
