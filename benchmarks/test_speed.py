"""Speed and memory, measured: run with ``pytest benchmarks``. Not part of the timed tests.

The bounds: a 12-megapixel JPEG to a reading in at most 4 times what `cv2.imread` takes on that file
(warm, one process, 2 idle cores; the best of several turns, since other work can only slow one); a
cold ``collarvision stage`` of one photo in at most 1.5 s;
``--help`` in at most 0.3 s; at most 700 MB of memory at the peak. A 20-megapixel photo from above
in at most 4 s up to 3 mm a pixel and 5 s beyond, and 1.5 GB.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from collarvision import read_photo
from collarvision.network import ModelError, load_network

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = sorted((ROOT / "sample_images").glob("*.jpg"))


@pytest.fixture(scope="module", autouse=True)
def _real_network() -> None:
    try:
        load_network()
    except ModelError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="module", params=[0, 1, 3], ids=["small", "closer", "large"])
def twelve_megapixels(request: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sample photo enlarged to 3000 x 4000 px, with a sensor's noise.

    A small plant, for which the whole photo must be decoded; one that leaves doubt, for which a
    closer look is taken; and one that fills the frame.
    """
    if not SAMPLES:
        pytest.skip("sample_images/ holds no photo")
    picture = cv2.imread(str(SAMPLES[request.param]))
    rgb = cv2.resize(picture, (3000, 4000), interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(1).normal(0, 4, rgb.shape).astype(np.float32)
    path = tmp_path_factory.mktemp("speed") / "twelve.jpg"
    cv2.imwrite(str(path), np.clip(rgb + noise, 0, 255).astype(np.uint8))
    return path


def test_imread(benchmark: Any, twelve_megapixels: Path) -> None:
    benchmark.pedantic(cv2.imread, (str(twelve_megapixels),), rounds=7, warmup_rounds=1)


def test_read_photo(benchmark: Any, twelve_megapixels: Path) -> None:
    benchmark.pedantic(read_photo, (twelve_megapixels,), rounds=7, warmup_rounds=2)


def test_a_reading_costs_at_most_four_reads(twelve_megapixels: Path) -> None:
    read_photo(twelve_megapixels)
    read, decoded = [], []
    for _ in range(15):  # in turn, so that other work on the machine slows both
        begun = time.perf_counter()
        cv2.imread(str(twelve_megapixels))
        between = time.perf_counter()
        read_photo(twelve_megapixels)
        read.append(time.perf_counter() - between)
        decoded.append(between - begun)
    ratio = min(read) / min(decoded)
    print(f"read_photo {min(read):.3f} s, cv2.imread {min(decoded):.3f} s: {ratio:.2f}")
    assert ratio <= 4.0


def cold(*words: str) -> tuple[float, float]:
    """Seconds and peak MB of one run of the command in a process of its own."""
    code = (
        "import json, resource, subprocess, sys, time; t = time.perf_counter();"
        "subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True);"
        "peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024;"
        "print(json.dumps([time.perf_counter() - t, peak]))"
    )
    command = [sys.executable, "-m", "collarvision", *words]
    done = subprocess.run(
        [sys.executable, "-c", code, *command],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env=dict(os.environ),
    )
    seconds, megabytes = json.loads(done.stdout)
    return seconds, megabytes


def test_a_cold_start_with_one_photo() -> None:
    cold("stage", str(SAMPLES[0]))
    best = min(cold("stage", str(SAMPLES[0]))[0] for _ in range(3))
    print(f"cold stage of one photo: {best:.2f} s")
    assert best <= 1.5


def test_help_is_instant() -> None:
    best = min(cold("--help")[0] for _ in range(3))
    print(f"--help: {best:.2f} s")
    assert best <= 0.3


def test_peak_memory_with_twelve_megapixels(twelve_megapixels: Path) -> None:
    _, megabytes = cold("stage", str(twelve_megapixels))
    print(f"peak memory: {megabytes:.0f} MB")
    assert megabytes <= 700


ABOVE = """
import json, resource, sys, time
import numpy as np
from collarvision.above.calibration import load_above_calibration
from collarvision.above.frames import read_frame
from collarvision.above.network import load_above_network
from collarvision.photo import Photo

rng = np.random.default_rng(1)
rgb = rng.integers(90, 130, (3648, 5472, 3), np.uint8)  # pixels cost the same whatever they show
rgb[::7, ::5, 1] += 60
focal_mm = 24.0
metres = float(sys.argv[1]) / 1000 * focal_mm / 43.27 * float(np.hypot(5472, 3648))
network, calibration = load_above_network(), load_above_calibration()
from collarvision.above.scale import Stated
best = 99.0
for _ in range(3):
    photo = Photo(name="p", decoded=rgb, sha256="", focal_eq_mm=focal_mm)
    begun = time.perf_counter()
    frame = read_frame(photo, network, calibration, Stated(height_m=metres))
    best = min(best, time.perf_counter() - begun)
assert abs(frame.scale.mm_per_px - float(sys.argv[1])) < 0.1, frame.scale
print(json.dumps([best, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""


@pytest.mark.parametrize("mm_per_px", [1.5, 3.0, 5.0])
def test_a_photo_from_above_of_twenty_megapixels(mm_per_px: float) -> None:
    done = subprocess.run(
        [sys.executable, "-c", ABOVE, str(mm_per_px)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    seconds, megabytes = json.loads(done.stdout)
    print(f"20 megapixels at {mm_per_px:g} mm a pixel: {seconds:.1f} s, {megabytes:.0f} MB")
    assert seconds <= (4.0 if mm_per_px <= 3.0 else 5.0)
    assert megabytes <= 1500
