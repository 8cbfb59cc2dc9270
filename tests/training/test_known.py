"""Known photos: what their file holds, from records and from kept cases."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import numpy as np
import pytest
from test_kept import made_case

from training import known


def said(score: float, **more: object) -> dict[str, object]:
    marks = [{"score": score}, {"score": score}]
    return {"outcome": "staged", "model": "m", "collars": marks, "tips": marks, **more}


def test_a_tenth_of_the_known_photos_lies_under_what_is_written():
    """The quantile is numpy's, by hand for 51 photos: the sixth lowest of them."""
    scores = np.linspace(0.5, 1.0, 51)
    got = known.known_from([said(float(s)) for s in scores])
    assert got["low"] == {"collars": pytest.approx(0.55), "tips": pytest.approx(0.55)}
    assert (got["model"], got["photos"]) == ("m", 51)


def test_photos_that_were_rejected_or_taken_from_above_tell_nothing():
    some = [said(0.9) for _ in range(60)]
    more = [said(0.1, outcome="rejected"), said(0.1, view="above", model="other")]
    assert known.known_from([*some, *more]) == known.known_from(some)


def test_too_few_photos_or_two_networks_are_refused():
    with pytest.raises(ValueError, match="49 photos"):
        known.known_from([said(0.9)] * 49)
    with pytest.raises(ValueError, match="2 networks"):
        known.known_from([said(0.9)] * 50 + [said(0.9, model="other")])


def test_kept_cases_are_as_good_as_photos(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    rng = np.random.default_rng(7)
    file = tmp_path / "part-0.pkl"
    file.write_bytes(pickle.dumps([made_case(n, rng) for n in range(60)]))
    out = tmp_path / "known.json"
    assert known.main(["--kept", str(file), "--out", str(out)]) == 0
    told = json.loads(out.read_text())
    assert 50 <= told["photos"] <= 60
    assert told["model"] == made_case(0, rng).parts.model
    assert 0.0 < told["low"]["collars"] <= 1.0
    assert str(out) in capsys.readouterr().out


def test_photos_without_a_collar_or_tip_to_tell_from_are_refused():
    with pytest.raises(ValueError, match="0 photos with tips"):
        known.known_from([said(0.9, tips=[])] * 60)


def test_truth_files_are_read_and_a_missing_one_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    truth = tmp_path / "truth.jsonl"
    rows = [{"file": f"{n}.jpg", "usable": n % 2 == 0} for n in range(200)]
    truth.write_text("".join(json.dumps(row) + "\n" for row in rows))
    asked: list[Path] = []
    monkeypatch.setattr(
        known, "read_all", lambda paths, jobs: asked.extend(paths) or [said(0.9)] * 60
    )
    out = tmp_path / "known.json"
    assert known.main(["--truth", str(truth), "--limit", "70", "--out", str(out)]) == 0
    assert asked == [tmp_path / f"{n}.jpg" for n in range(0, 140, 2)]
    with pytest.raises(SystemExit, match=r"No truth file at .*none"):
        known.main(["--truth", str(tmp_path / "none"), "--out", str(out)])
    with pytest.raises(SystemExit):
        known.main(["--kept", str(truth), "--limit", "3", "--out", str(out)])


@pytest.mark.parametrize("content", [b"", b"no pickle", b"\x80\x04."])
def test_a_broken_file_of_cases_is_named(tmp_path: Path, content: bytes):
    broken = tmp_path / "part-0.pkl"
    broken.write_bytes(content)
    with pytest.raises(SystemExit, match=r"part-0.pkl holds no kept cases"):
        known.main(["--kept", str(broken), "--out", str(tmp_path / "known.json")])
