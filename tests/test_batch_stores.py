"""s3:// and gs:// through their own clients, against stores that run on this computer.

The clients are large and come with the `cloud` extra; where they aren't installed these tests are
skipped and say so. What every address has in common is tested in `test_batch_remote.py`.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest
from command import run
from fake_stores import AmazonStore, GoogleStore, running
from test_batch_remote import board

from collarvision.batch import remote
from collarvision.batch.sources import find_photos
from collarvision.survey import SurveyReader

SCHEMES = {"gs": (GoogleStore, "gcsfs"), "s3": (AmazonStore, "s3fs")}


@pytest.fixture(params=sorted(SCHEMES))
def bucket(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[str, dict[str, bytes], list[str]]]:
    """A served bucket: its address, its objects, and what the server is asked."""
    kind, package = SCHEMES[request.param]
    if importlib.util.find_spec(package) is None:
        pytest.skip(f"{request.param}:// needs {package}: pip install 'collarvision[cloud]'")
    objects = {
        "season/North/2027-05-20/stop 1/10.png": board(1),
        "season/North/2027-05-20/stop 1/9.png": board(2),
        "season/South/a.png": board(3),
        "season/South/notes.md": b"not a photo",
        "season/.trash/b.png": board(4),
    }
    with running(kind, objects) as (address, asked):
        monkeypatch.setenv("STORAGE_EMULATOR_HOST", address)
        monkeypatch.setenv("AWS_ENDPOINT_URL_S3", address)
        for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
            monkeypatch.setenv(name, "invented")
        monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        _forget(package)
        yield f"{request.param}://farm/season", objects, asked
        _forget(package)


def _forget(package: str) -> None:
    """Clients keep their connections and what they listed; each test has a server of its own."""
    module = importlib.import_module(package)
    name = {"gcsfs": "GCSFileSystem", "s3fs": "S3FileSystem"}[package]
    getattr(module, name).clear_instance_cache()


def test_a_bucket_is_listed_like_a_folder(bucket: tuple[str, dict, list]) -> None:
    address, _, asked = bucket
    assert [(photo.name, photo.folders) for photo in find_photos([address])] == [
        ("9.png", ("North", "2027-05-20", "stop 1")),
        ("10.png", ("North", "2027-05-20", "stop 1")),
        ("a.png", ("South",)),
    ]
    assert [photo.name for photo in find_photos([f"{address}/S*/*.png"])] == ["a.png"]
    assert asked  # it was this server that answered


def test_contents_and_versions(bucket: tuple[str, dict, list]) -> None:
    address, objects, _ = bucket
    where = f"{address}/South/a.png"
    assert remote.read_bytes(where) == board(3)
    before = remote.look_at(where)
    assert before is not None
    assert before.size == len(board(3))
    objects["season/South/a.png"] = board(30)
    _forget("gcsfs" if address.startswith("gs") else "s3fs")
    after = remote.look_at(where)
    assert after is not None
    assert after.mtime_ns != before.mtime_ns
    with pytest.raises(FileNotFoundError):
        remote.read_bytes(f"{address}/South/none.png")


def test_nothing_there_is_a_sentence(bucket: tuple[str, dict, list]) -> None:
    (photo,) = find_photos([f"{bucket[0]}/West"])
    assert "nothing at" in str(photo.trouble)


def test_the_command_stages_a_bucket_once(
    bucket: tuple[str, dict, list], tmp_path: Path, stand_in: Path
) -> None:
    survey = tmp_path / "s.survey"
    result = run("batch", bucket[0], "--survey", survey, "--workers", "1")
    assert result.exit_code == 0, result.output
    with SurveyReader(survey) as store:
        rows = {row.photo: row for row in store.plants()}
    assert rows["9.png"].path == f"{bucket[0]}/North/2027-05-20/stop 1/9.png"
    assert (rows["a.png"].field, rows["9.png"].stop) == ("South", "1")
    again = run("batch", bucket[0], "--survey", survey, "--workers", "1")
    assert again.exit_code == 0
    with SurveyReader(survey) as store:
        assert [len(list(store.history(row.sha256))) for row in rows.values()] == [1, 1, 1]
