"""Kept cases: read in several processes, taken home in files, reported on by halves."""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_plants import USABLE, draw
from stand_in import DrawnPlant

from collarvision.plant import assemble
from training import calibrate, crossfit, kept
from training.calibrate import main as calibrate_main
from training.cases import Case, read_cases


def made_case(number: int, rng: np.random.Generator) -> Case:
    """A drawn plant; one in eight is read with its top collar unseen."""
    stage = int(rng.integers(1, 8))
    drawn = draw(stage)
    parts = replace(drawn.parts, usability=dict(USABLE), model="made")
    if rng.random() < 0.125:
        fewer = np.roll(parts.collar_counts, -1)
        parts = replace(parts, collars=parts.collars[:-1], collar_counts=fewer)
    truth = {
        "file": f"{number}.jpg", "usable": True, "reason": "ok", "stage_v": stage,
        "hard_case": "none", "layout": "standing", "lighting": "shade", "board_colour": "white",
        "collars_visible_in_image": [
            {"rank": r, "x": c.x, "y": c.y, "occluded": False}
            for r, c in enumerate(drawn.parts.collars, 1)
        ],
        "tips": [], "first_leaf": {"present": True}, "lower_leaves_missing": 0,
        "base_xy": [drawn.parts.base.x, drawn.parts.base.y], "plant_box_px": [0, 0, 600, 600],
        "height_arch_mm": None, "card": {"present": False}, "lower_leaf_status": {},
    }  # fmt: skip
    return Case(f"{number}.jpg", parts, assemble(parts), (), None, truth)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    rng = np.random.default_rng(7)
    cases = [made_case(n, rng) for n in range(240)]
    folder = tmp_path_factory.mktemp("kept")
    for k in range(2):
        (folder / f"part-{k}.pkl").write_bytes(pickle.dumps(cases[k::2]))
    return sorted(folder.glob("*.pkl"))


def test_photos_are_read_in_processes_as_they_are_read_here(
    tmp_path: Path, stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]
) -> None:
    part = tmp_path / "finished" / "part-95000"
    part.mkdir(parents=True)
    photo = save_jpeg(drawn_plant.rgb, "one.jpg")
    rows = []
    for n in range(3):
        (part / f"{n}.jpg").write_bytes(photo.read_bytes())
        rows.append({"file": f"{n}.jpg", "usable": True, "stage_v": 3})
    (part / "truth.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    words = ["--finished", str(tmp_path / "finished"), "--out", str(tmp_path / "out")]
    assert kept.main([*words, "--jobs", "2"]) == 0
    found = kept.load_kept(sorted((tmp_path / "out").glob("*.pkl")))
    assert sorted(case.name for case in found) == ["0.jpg", "1.jpg", "2.jpg"]
    here = {case.name: case for case in read_cases(part / "truth.jsonl")}
    for case in found:
        assert case.parts.collars == here[case.name].parts.collars
        assert case.closer is not None
        assert case.truth == here[case.name].truth
    assert sorted(path.name for path in part.iterdir() if path.suffix == ".jsonl") == [
        "truth.jsonl"
    ]


def test_no_photos_and_other_networks_are_said(
    tmp_path: Path, files: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--finished", str(tmp_path), "--out", str(tmp_path / "out")]
    assert kept.main(words) == 1
    assert "no part-*/truth.jsonl" in capsys.readouterr().err
    with files[0].open("rb") as stream:
        cases = pickle.load(stream)
    other = [replace(cases[0], parts=replace(cases[0].parts, model="other"))]
    (tmp_path / "other.pkl").write_bytes(pickle.dumps(other))
    both = [str(files[0]), str(tmp_path / "other.pkl")]
    assert crossfit.main(["--kept", *both]) == 1
    assert "different networks: made, other" in capsys.readouterr().err


def test_each_half_is_read_with_what_the_other_gave(
    tmp_path: Path, files: list[Path], capsys: pytest.CaptureFixture[str], monkeypatch
) -> None:
    seen = []
    real = crossfit.calibrate

    def spied(cases, risk):
        seen.append({case.name for case in cases})
        fitted, about = real(cases, risk)
        return replace(fitted, id=str(len(seen))), about

    monkeypatch.setattr(crossfit, "calibrate", spied)
    read: list[tuple[str, str]] = []
    record = crossfit.record
    monkeypatch.setattr(
        crossfit, "record", lambda case, c: read.append((case.name, c.id)) or record(case, c)
    )
    plot = tmp_path / "risk.svg"
    assert crossfit.main(["--kept", *map(str, files), "--plot", str(plot)]) == 0
    assert len(read) == 240
    assert not seen[0] & seen[1]
    for name, fit in read:
        assert name not in seen[int(fit) - 1]
    told = capsys.readouterr().out
    assert "stage_exact" in told
    assert "V3" in told
    assert plot.read_text().startswith("<svg")


def test_a_calibration_comes_from_kept_cases_as_well(
    tmp_path: Path, files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibrate, "FEWEST", 100)  # so that this takes a second
    out = tmp_path / "calibration.json"
    assert calibrate_main(["--kept", *map(str, files), "--out", str(out)]) == 0
    assert json.loads(out.read_text())["about"]["photos"] == 240


def test_files_of_another_number_of_processes_are_taken_away(tmp_path: Path) -> None:
    part = tmp_path / "finished" / "part-9"
    part.mkdir(parents=True)
    (part / "truth.jsonl").write_text(json.dumps({"file": "a.jpg", "view": "crop"}) + "\n")
    out = tmp_path / "out"
    out.mkdir()
    for name in ("part-9-3.pkl", "part-90-0.pkl"):
        (out / name).write_bytes(pickle.dumps([]))
    words = ["--finished", str(tmp_path / "finished"), "--out", str(out), "--jobs", "1"]
    assert kept.main(words) == 0
    assert sorted(path.name for path in out.iterdir()) == ["part-9-0.pkl", "part-90-0.pkl"]


def test_a_photo_that_is_kept_twice_is_refused(
    files: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(ValueError, match=r"one name, such as 0\.jpg"):
        kept.load_kept([*files, files[0]])
    assert crossfit.main(["--kept", str(files[0]), str(files[0])]) == 1
    assert "taken for each other. Keep them again" in capsys.readouterr().err


def test_both_sides_of_a_plant_and_a_stop_stay_on_one_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """Photos of one plant are alike: judged on the half that holds the other, a fit looks good."""
    rng = np.random.default_rng(3)
    cases = [made_case(n, rng) for n in range(200)]
    sides = [f"{n // 2}{'_other' * (n % 2)}.jpg" for n in range(120)]
    cases[:120] = [replace(c, name=name) for c, name in zip(cases, sides, strict=False)]
    for n in range(120, 160):
        cases[n].truth["group"] = f"North\n{n % 9}"
    plant = {c.name: c.truth.get("group") or c.name.split(".")[0].split("_")[0] for c in cases}

    folds, halves = [], []
    fit, real = calibrate.fit_sureness, calibrate.calibrate
    monkeypatch.setattr(
        calibrate, "fit_sureness", lambda seen, f: folds.append([*seen]) or fit(seen, f)
    )
    real(cases)
    assert len(folds) == 1 + calibrate.REPEATS * calibrate.FOLDS
    monkeypatch.setattr(crossfit, "calibrate", lambda half, _: halves.append(half) or real(half))
    monkeypatch.setattr(crossfit, "record", lambda case, _: {})
    crossfit.crossfit(cases)
    assert sum(map(len, halves)) == len(cases)
    for some in (*folds[1:31], *halves):
        names = {case.name for case in some}
        assert not {plant[n] for n in names} & {plant[n] for n in plant.keys() - names}


def test_photos_of_one_plant_alone_calibrate_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(3)
    cases = [made_case(n, rng) for n in range(20)]
    for case in cases:
        case.truth["group"] = "North"
    (tmp_path / "one.pkl").write_bytes(pickle.dumps(cases))
    monkeypatch.setattr(calibrate, "FEWEST", 10)
    out = tmp_path / "calibration.json"
    assert calibrate_main(["--kept", str(tmp_path / "one.pkl"), "--out", str(out)]) == 1
    assert "of one plant or stop" in capsys.readouterr().err
    assert not out.exists()
    assert crossfit.main(["--kept", str(tmp_path / "one.pkl")]) == 1
    assert "of one plant or stop" in capsys.readouterr().err
