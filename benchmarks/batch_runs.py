"""Whole batches, measured: ``python benchmarks/batch_runs.py kills|workers|flat [options]``.

``kills``: a batch is killed (SIGKILL, to it and its workers) again and again at random moments and
run once more to its end; then every photo must have exactly one reading and the file must be sound.
``workers``: photos a second of one worker and of two, from the first photo stored to the last.
``flat``: time a photo and memory of batches of growing size, drawn as an SVG. Whether the time is
flat is judged by the processors' time, which other work of the machine changes little.

Photos are those of `sample_images`, each copy with a few pixels of its own. They are read by the
shipped network; ``--stand-in`` reads with the tests' tiny one instead, where the batch's own cost
is asked for and not the network's.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent


def make_photos(folder: Path, count: int, long_side: int) -> None:
    """So many photos, no two alike, in folders of a hundred."""
    samples = []
    for path in sorted((ROOT / "sample_images").glob("*.jpg")):
        image = Image.open(path).convert("RGB")
        if long_side <= 1280:
            image.thumbnail((long_side, long_side))
        else:
            scale = long_side / max(image.size)
            image = image.resize((round(image.width * scale), round(image.height * scale)))
        samples.append(image)
    for number in range(count):
        image = samples[number % len(samples)].copy()
        mark = np.random.default_rng(number).integers(0, 256, (4, 16, 3)).astype(np.uint8)
        image.paste(Image.fromarray(mark), (0, 0))
        path = folder / f"field {number // 100}" / f"IMG_{number:05d}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        spool = io.BytesIO()
        image.save(spool, "JPEG", quality=90)
        path.write_bytes(spool.getvalue())


def start(
    photos: Path, survey: Path, workers: int, cores: int | None = None
) -> subprocess.Popen[str]:
    """A batch in a process group of its own, on so many of this machine's cores."""
    mine = sorted(os.sched_getaffinity(0))[:cores]
    words = ("batch", photos, "--survey", survey, "--workers", workers)
    return subprocess.Popen(
        [sys.executable, "-m", "collarvision", *map(str, words)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: os.sched_setaffinity(0, mine),
    )


def asked(survey: Path, sql: str) -> list[tuple]:
    """Rows from a survey, asked from outside."""
    if not survey.exists():
        return []
    try:
        with closing(sqlite3.connect(f"{survey.as_uri()}?mode=ro", uri=True)) as connection:
            return connection.execute(sql).fetchall()
    except sqlite3.OperationalError:  # its tables aren't made yet
        return []


def readings(survey: Path) -> int:
    """Readings stored so far."""
    rows = asked(survey, "SELECT count(*) FROM readings")
    return rows[0][0] if rows else 0


def kills(options: argparse.Namespace, folder: Path) -> bool:
    """Kill batches at random moments, run the last to its end, and look at what is there."""
    photos, survey, chance = folder / "photos", folder / "s.survey", random.Random(options.seed)
    make_photos(photos, options.photos, options.size)
    done = 0
    for number in range(options.kills):
        # Spread over the whole batch, so that the last kill still finds work: wait for a random
        # count of further readings, then for a random part of a photo's time.
        left = options.kills - number
        goal = done + chance.randint(0, max(1, 2 * (options.photos - done) // (left + 2)))
        process = start(photos, survey, options.workers)
        while readings(survey) < goal and process.poll() is None:
            time.sleep(0.01)
        time.sleep(chance.uniform(0, 0.5))
        ended = process.poll() is not None
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        done = readings(survey)
        sound = asked(survey, "PRAGMA integrity_check") in ([("ok",)], [])
        print(
            f"kill {number + 1}: {'it had ended' if ended else 'killed'} at {done} readings, "
            f"{'sound' if sound else 'DAMAGED'}",
            flush=True,
        )
    process = start(photos, survey, options.workers)
    said, _ = process.communicate()
    each = asked(survey, "SELECT count(*) FROM readings GROUP BY photo_id, model_id")
    held = (
        process.returncode == 0
        and len(each) == options.photos
        and set(each) == {(1,)}
        and asked(survey, "SELECT count(*) FROM photos") == [(options.photos,)]
        and asked(survey, "PRAGMA integrity_check") == [("ok",)]
        and asked(survey, "PRAGMA foreign_key_check") == []
    )
    print(said.splitlines()[0])
    print(f"{options.photos} photos, {options.kills} kills: {'all held' if held else 'BROKEN'}")
    return held


@dataclass(frozen=True)
class Run:
    """One batch, measured.

    Attributes
    ----------
    seconds : float
        From the first reading to the last.
    peak_mb : float
        Of the largest process.
    moments : list of float
        When each photo was stored, s.
    spent : list of float
        What all processes had worked by then, s of one processor.
    """

    seconds: float
    peak_mb: float
    moments: list[float]
    spent: list[float]

    def cpu_ms(self, first: int = 0, last: int = -1) -> float:
        """Processor time a photo between two of them, ms."""
        first, last = (end % len(self.moments) for end in (first, last))
        return 1000 * (self.spent[last] - self.spent[first]) / max(last - first, 1)


def timed(photos: Path, survey: Path, workers: int, cores: int | None = None) -> Run:
    """Run a batch to its end and measure it."""
    process = start(photos, survey, workers, cores)
    watched, end = Watched(process.pid), threading.Event()
    watcher = threading.Thread(target=watched.until, args=(end,))
    watcher.start()
    process.communicate()
    end.set()
    watcher.join()
    moments = [
        datetime.fromisoformat(row[0]).timestamp()
        for row in asked(survey, "SELECT read_at FROM readings ORDER BY id")
    ]
    spent = np.interp(moments, *zip(*watched.worked, strict=True)).tolist()
    return Run(moments[-1] - moments[0], watched.peak_mb, moments, spent)


class Watched:
    """A process group while it works: memory of its largest process, processor time of all."""

    def __init__(self, group: int) -> None:
        self.group, self.peak_mb = group, 0.0
        self.worked: list[tuple[float, float]] = [(time.time(), 0.0)]
        self._of: dict[str, float] = {}  # kept of processes that have ended

    def until(self, end: threading.Event) -> None:
        """Look ten times a second."""
        page_mb, ticks = os.sysconf("SC_PAGE_SIZE") / 1e6, os.sysconf("SC_CLK_TCK")
        while not end.wait(0.1):
            listed = subprocess.run(
                ["ps", "-o", "pid=", "-g", str(self.group)], capture_output=True, text=True
            )
            for number in listed.stdout.split():
                with suppress(OSError, IndexError):
                    home = Path(f"/proc/{number}")
                    resident = int((home / "statm").read_text().split()[1])
                    self.peak_mb = max(self.peak_mb, resident * page_mb)
                    # Behind the name, which may hold blanks: proc(5), fields 14 and 15.
                    fields = (home / "stat").read_text().rpartition(")")[2].split()
                    self._of[number] = (int(fields[11]) + int(fields[12])) / ticks
            self.worked.append((time.time(), sum(self._of.values())))


def workers(options: argparse.Namespace, folder: Path) -> bool:
    """One worker against two."""
    photos = folder / "photos"
    make_photos(photos, options.photos, options.size)
    cases = {"1 worker on one core": (1, 1), "1 worker on two": (1, 2), "2 workers on two": (2, 2)}
    best = dict.fromkeys(cases, 0.0)
    for run in range(options.rounds):  # in turn, since the machine's other work comes and goes
        for name, (count, cores) in cases.items():
            load = os.getloadavg()[0]
            survey = folder / f"{run}{count}{cores}.survey"
            run_of = timed(photos, survey, count, cores)
            rate = (options.photos - 1) / run_of.seconds
            best[name] = max(rate, best[name])
            print(
                f"{name}: {rate:.2f} photos a second of {options.size} px, peak "
                f"{run_of.peak_mb:.0f} MB a process, load before {load:.1f}",
                flush=True,
            )
    one, one_on_two, two = best.values()
    print(
        f"best of each: two workers are {two / one:.2f} times as fast as one on its core, and "
        f"{two / one_on_two:.2f} times as fast as one whose threads use both"
    )
    return two >= 1.7 * one


def flat(options: argparse.Namespace, folder: Path) -> bool:
    """Batches of growing size: time a photo within the largest, and memory of each."""
    runs: dict[int, Run] = {}
    for count in options.sizes:
        photos = folder / f"photos{count}"
        make_photos(photos, count, options.size)
        load = os.getloadavg()[0]
        run = runs[count] = timed(photos, folder / f"{count}.survey", options.workers)
        print(
            f"{count} photos: {1000 * run.seconds / (count - 1):.1f} ms a photo, of processor time "
            f"{run.cpu_ms():.1f} ms; peak {run.peak_mb:.0f} MB; load {load:.1f} to "
            f"{os.getloadavg()[0]:.1f}",
            flush=True,
        )
    largest = runs[max(runs)]
    fifth = len(largest.moments) // 5
    early, late = largest.cpu_ms(0, fifth), largest.cpu_ms(-fifth - 1, -1)
    print(
        f"of the largest the first fifth took {early:.1f} ms of processor time a photo, the last "
        f"{late:.1f} ms"
    )
    _draw(runs, options.out)
    print(f"drawn to {options.out}")
    smallest = runs[min(runs)]
    flat_time = late <= 1.25 * early and largest.cpu_ms() <= 1.25 * smallest.cpu_ms()
    return flat_time and max(run.peak_mb for run in runs.values()) <= 700


def _draw(runs: dict[int, Run], out: Path) -> None:
    """Three panels: ms a photo and processor's ms along the largest batch; peak memory by size."""
    largest = runs[max(runs)]
    moments = largest.moments
    step = max(len(moments) // 40, 1)
    ends = range(step, len(moments), step)
    panels = (
        (
            "ms a photo, along the largest batch",
            [(end, 1000 * (moments[end] - moments[end - step]) / step) for end in ends],
        ),
        (
            "processor time, ms a photo, along the largest batch",
            [(end, largest.cpu_ms(end - step, end)) for end in ends],
        ),
        (
            "peak MB of a process, by photos in the batch",
            [(count, run.peak_mb) for count, run in sorted(runs.items())],
        ),
    )
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 640 680" font-family="sans-serif" '
        'font-size="13"><rect width="640" height="680" fill="white"/>'
    ]
    for panel, (title, line) in enumerate(panels):
        top, right = 40 + 220 * panel, max(x for x, _ in line)
        high = 1.2 * max(y for _, y in line)
        xy = [(70 + 540 * x / right, top + 150 - 150 * y / high) for x, y in line]
        dots = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="#1b5e8c"/>' for x, y in xy)
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in xy)
        parts.append(
            f'<text x="70" y="{top - 12}" font-weight="bold">{title}</text>'
            f'<path d="M70 {top}V{top + 150}H610" fill="none" stroke="#555"/>'
            f'<polyline points="{path}" fill="none" stroke="#1b5e8c" stroke-width="1.5"/>{dots}'
            f'<text x="62" y="{top + 8}" text-anchor="end">{high:.0f}</text>'
            f'<text x="62" y="{top + 150}" text-anchor="end">0</text>'
            f'<text x="610" y="{top + 168}" text-anchor="end">{right} photos</text>'
        )
    out.write_text("".join(parts) + "</svg>\n", encoding="utf-8")


def main() -> int:
    """Run one measurement; status 1 when what must hold doesn't."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("kills", "workers", "flat"))
    parser.add_argument("--photos", type=int, default=200)
    parser.add_argument("--size", type=int, default=960, help="long side, px; 4032 is 12 MP")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3, help="of `workers`")
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--sizes", type=int, nargs="+", default=[100, 500, 2000])
    parser.add_argument("--out", type=Path, default=Path("flat.svg"))
    parser.add_argument("--stand-in", action="store_true", help="read with the tests' tiny network")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.stand_in:
            sys.path.insert(0, str(ROOT / "tests"))
            from stand_in import write_stand_in

            write_stand_in(Path(folder) / "stand_in.onnx")
            os.environ["COLLARVISION_MODEL"] = str(Path(folder) / "stand_in.onnx")
        held = {"kills": kills, "workers": workers, "flat": flat}[options.what]
        return 0 if held(options, Path(folder)) else 1


if __name__ == "__main__":
    raise SystemExit(main())
