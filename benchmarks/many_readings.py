"""A survey of a million readings, measured: ``python benchmarks/many_readings.py [--readings N]``.

Generated readings go in through SQL, in the survey's own tables, since a transaction each would
take hours; everything else is asked as the commands ask it. Times and peak memory are printed.
"""

from __future__ import annotations

import argparse
import itertools
import json
import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from collarvision.answer import Reading
from collarvision.export import export_plants
from collarvision.fieldvisits import visits_of
from collarvision.survey import SurveyReader, SurveyWriter
from collarvision.survey.writer import record_text

FIELDS, VISITS = 500, 8


def fill(path: Path, count: int) -> None:
    """Photos of `FIELDS` fields at `VISITS` visits each, in one transaction."""
    with SurveyWriter(path, create=True) as survey:
        database = survey._connection
        database.execute("BEGIN")
        database.execute("INSERT INTO models (id, sha256, name) VALUES (1, 'a', 'generated')")
        database.executemany(
            "INSERT INTO fields (id, name) VALUES (?, ?)",
            ((k, f"Field {k:03d}") for k in range(1, FIELDS + 1)),
        )
        database.executemany(
            "INSERT INTO visits (id, field_id, date) VALUES (?, ?, ?)",
            (
                (k, k % FIELDS + 1, f"2027-{5 + k // FIELDS // 28:02d}-{1 + k // FIELDS % 28:02d}")
                for k in range(1, FIELDS * VISITS + 1)
            ),
        )
        database.executemany(
            "INSERT INTO photos (id, sha256, name, visit_id, latitude, longitude) "
            "VALUES (?, ?, ?, ?, 41.5, -93.5)",
            ((k, f"{k:064x}", f"IMG_{k}.jpg", k % (FIELDS * VISITS) + 1) for k in range(count)),
        )
        outcomes = ("staged", "staged", "staged", "hand-count", "rejected")
        database.executemany(
            "INSERT INTO readings (id, photo_id, model_id, attempt, calibration, read_at, outcome,"
            " stage, confidence) VALUES (?, ?, 1, 1, 'c', '2027-06-01T00:00:00+00:00', ?, ?, 0.9)",
            (
                (k, k, outcomes[k // 3 % 5], None if k // 3 % 5 == 4 else k % 11)
                for k in range(count)
            ),
        )
        text = record_text(Reading("IMG.jpg", "rejected", reasons=("Generated.",)))
        database.executemany(
            "INSERT INTO records (reading_id, record) VALUES (?, ?)",
            ((k, text) for k in range(count)),
        )
        # One plant in ten is counted, one in thirty measured later on as well.
        database.executemany(
            "INSERT INTO hand_counts (photo_id, who, counted_at, stage, height_mm, way) "
            "VALUES (?, 'A. Scout', '2027-06-02T00:00:00+00:00', ?, ?, 'on-plant')",
            itertools.chain(
                ((k, k % 11, None) for k in range(count) if k // 7 % 10 == 0),
                ((k, None, 200.0) for k in range(count) if k // 7 % 30 == 0),
            ),
        )
        database.execute("COMMIT")


def main() -> int:
    """Fill and ask; status 1 when a question about a field takes a second or more."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--exports", nargs="*", default=["o.csv", "o.geojson", "o.parquet"])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, began = Path(folder) / "s.survey", time.perf_counter()
        fill(path, options.readings)
        print(f"{options.readings} readings, {path.stat().st_size / 1e6:.0f} MB, filled in "
              f"{time.perf_counter() - began:.0f} s", flush=True)  # fmt: skip
        slowest = max(seconds for _, seconds in asked(path))
        for name in options.exports:
            began = time.perf_counter()
            with SurveyReader(path) as survey:
                rows = export_plants(survey.plants(), Path(folder) / name)
            seconds = time.perf_counter() - began
            print(f"export {name}: {rows} rows in {seconds:.0f} s, peak memory so far "
                  f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB",
                  flush=True)  # fmt: skip
            (Path(folder) / name).unlink()
    return 0 if slowest < 1.0 else 1


def asked(path: Path) -> Iterator[tuple[str, float]]:
    """Questions about one field, each on a survey just opened."""
    questions = {
        "its visits": lambda survey: list(survey.visits("Field 042")),
        "its plants by stage": lambda survey: list(survey.stage_counts("Field 042")),
        "its last visit, as `field` judges it": lambda s: visits_of(s, "Field 042").chosen.plants,
        "its plants": lambda survey: list(survey.plants("Field 042")),
        "who waits for a hand count there": lambda survey: list(survey.waiting("Field 042")),
        "whether a photo was read": lambda survey: survey.outcome_of(f"{77:064x}", "a", "c"),
        "the first thousand plants of all": lambda s: list(itertools.islice(s.plants(), 1000)),
    }
    for name, question in questions.items():
        began = time.perf_counter()
        with SurveyReader(path) as survey:
            answer = question(survey)
        seconds = time.perf_counter() - began
        size = len(answer) if isinstance(answer, (list, tuple)) else json.dumps(answer)
        print(f"{name}: {1000 * seconds:.0f} ms ({size})", flush=True)
        yield name, seconds


if __name__ == "__main__":
    raise SystemExit(main())
