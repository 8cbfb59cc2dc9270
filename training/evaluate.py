"""Read photos with the whole tool and measure the readings against truth.

    python -m training.evaluate --truth DIR/truth.jsonl [--photos DIR] [--out page.html]

Prints a table, and writes figures (JSON), readings (JSON lines) and a page of failures if asked.
Runs what users run, `collarvision.read_photo`; PyTorch is not needed.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from training.scoring import (
    Case,
    by_kind,
    compare_all,
    hard_cases,
    mean,
    read_jsonl,
    refuse_same_names,
    summary,
    sure_pairs,
)

TRUTH_RULE = "half-out"
"""Rule of the heights in truth files."""

TABLE_ORDER = (
    ("photos", ("photos_usable", "photos_unusable", "no_record")),
    (
        "stage",
        (
            "stage_exact",
            "stage_within_1",
            "stage_exact_all_in_view",
            "stage_exact_hard_collar",
            "stage_mean_abs_error",
            "stage_bias",
        ),
    ),
    (
        "trust",
        (
            "accepted_share",
            "accepted_exact",
            "accepted_within_1",
            "unusable_refused",
            "confidence_ece",
        ),
    ),
    ("collars", ("collar_precision", "collar_recall", "collar_f1")),
    ("tips", ("tip_precision", "tip_recall", "tip_f1", "first_leaf_agreement")),
    (
        "height",
        ("height_median_abs_mm", "height_median_rel", "height_p90_rel", "height_interval_coverage"),
    ),
)


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Measure readings against truth.")
    add = parser.add_argument
    add("--truth", required=True, nargs="+", help="truth.jsonl files")
    add("--photos", help="folder of the photos; by default beside each truth file")
    add("--readings", help="read these records (JSON lines) instead of reading the photos")
    add("--out", help="write a page of failures here (HTML, all in one file)")
    add("--markdown", help="write the figures here as tables for the model card")
    add("--plot", help="write the curve of risk against coverage here (SVG)")
    add("--json", help="write all figures here")
    add("--records", help="write the records here (JSON lines)")
    add("--limit", type=int, help="at most so many photos")
    add("--failures", type=int, default=60, help="at most so many photos on the page")
    add("--height-rule", help="passed to read_photo; heights are measured by half-out")
    add("--jobs", type=int, default=1, help="processes that read photos")
    return parser.parse_args(argv)


def _read_one(job: tuple[str, str | None]) -> dict[str, Any]:
    """Read one photo, lazily importing the tool in this process."""
    path, rule = job
    try:
        from collarvision import read_photo
    except ImportError as error:
        raise SystemExit(
            f"collarvision cannot be imported ({error}). Run from the checkout."
        ) from None
    options: dict[str, Any] = {"height_rule": rule} if rule else {}
    began = time.perf_counter()
    record = read_photo(path, **options).record()
    record = record if isinstance(record, dict) else dict(record)
    return {**record, "seconds": round(time.perf_counter() - began, 3)}


def read_all(
    paths: Sequence[Path],
    rule: str | None = None,
    jobs: int = 1,
    reader: Callable[[tuple[str, str | None]], dict[str, Any]] = _read_one,
) -> list[dict[str, Any]]:
    """Read photos in order, in one or several processes."""
    tasks = [(str(path), rule) for path in paths]
    if jobs <= 1:
        return [reader(task) for task in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(reader, tasks, chunksize=4))


def _figure(value: float | int) -> str:
    return f"{value:d}" if isinstance(value, int) else f"{value:.3f}"


HARD_COLUMNS = (
    ("exact", "stage_exact"),
    ("within 1", "stage_within_1"),
    ("staged", "accepted_share"),
    ("exact of staged", "accepted_exact"),
    ("collar F1", "collar_f1"),
    ("height error", "height_median_rel"),
)


def hard_case_rows(cases: Sequence[Case]) -> list[list[str]]:
    """Photos and figures of each hard case, as text; a dash where nothing tells."""
    rows = []
    for name, group in hard_cases(cases).items():
        figures = summary(group)
        values = [float(figures[key]) for _, key in HARD_COLUMNS]
        numbers = ["–" if math.isnan(value) else f"{value:.3f}" for value in values]
        rows.append([name, str(len(group)), *numbers])
    return rows


def markdown(cases: Sequence[Case]) -> str:
    """All figures and the hard cases as tables for the model card."""
    figures = summary(cases)
    lines = ["| figure | value |", "|---|---|"]
    lines += [
        f"| {name.replace('_', ' ')} | {_figure(figures[name])} |"
        for _, names in TABLE_ORDER
        for name in names
    ]
    heads = ["hard case", "photos", *(head for head, _ in HARD_COLUMNS)]
    lines += ["", f"| {' | '.join(heads)} |", "|---" + "|---:" * (len(heads) - 1) + "|"]
    lines += [f"| {' | '.join(row)} |" for row in hard_case_rows(cases)]
    return "\n".join(lines) + "\n"


def table(cases: Sequence[Case]) -> str:
    """All figures, then exact and within one by stage, layout, hard case and light."""
    figures = summary(cases)
    lines = []
    for title, names in TABLE_ORDER:
        lines.append(f"{title:8s} " + "  ".join(f"{n} {_figure(figures[n])}" for n in names))
    for name, parts in by_kind(cases).items():
        lines.append(f"\n{name:>18s}   photos   exact  within1    bias  staged  collarF1  tipF1")
        for kind, group in parts.items():
            f = summary(group)
            usable = int(f["photos_usable"])
            refused = "" if usable else f"   refused {f['unusable_refused']:.3f}"
            numbers = (
                f"{f['stage_exact']:8.3f} {f['stage_within_1']:8.3f} {f['stage_bias']:7.2f}"
                f" {f['accepted_share']:7.3f} {f['collar_f1']:9.3f} {f['tip_f1']:6.3f}"
                if usable
                else refused
            )
            lines.append(f"{kind:>18s} {len(group):8d}{numbers}")
    heads = " ".join(f"{head:>15s}" for head, _ in HARD_COLUMNS)
    lines.append(f"\n{'':30s} photos {heads}")
    for name, count, *numbers in hard_case_rows(cases):
        lines.append(f"{name:30s} {count:>6s} " + " ".join(f"{n:>15s}" for n in numbers))
    return "\n".join(lines)


def all_figures(cases: Sequence[Case]) -> dict[str, Any]:
    """Every figure and every breakdown, for JSON."""
    return {
        "all": summary(cases),
        "by": {
            name: {kind: summary(group) for kind, group in parts.items()}
            for name, parts in by_kind(cases).items()
        },
        "hard cases": {name: summary(group) for name, group in hard_cases(cases).items()},
    }


def judged_by_rule(
    truths: Sequence[dict[str, Any]], readings: Sequence[dict[str, Any]], rule: str | None
) -> Sequence[dict[str, Any]]:
    """Truth without heights, which is said, where heights were asked for by another rule.

    Parameters
    ----------
    truths, readings
        Rows of ``truth.jsonl``, and records.
    rule : str, optional
        The rule that was asked for, as some readings have no height that names theirs.
    """
    others = {rule, *(reading.get("height_rule") for reading in readings)} - {None, TRUTH_RULE}
    if not others:
        return truths
    print(
        f"Heights are left out: truth has them by the rule {TRUTH_RULE} alone, and here they were "
        f"read by {', '.join(sorted(map(str, others)))}. Read the photos by {TRUTH_RULE} to "
        "measure heights."
    )
    return [truth | {"height_arch_mm": None} for truth in truths]


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    truths: list[dict[str, Any]] = []
    paths: dict[str, Path] = {}
    for name in options.truth:
        if not Path(name).is_file():
            sys.exit(f"No truth file at {name}. Give the truth.jsonl beside the photos.")
        folder = Path(options.photos) if options.photos else Path(name).parent
        for row in read_jsonl(name):
            truths.append(row)
            paths[row["file"]] = folder / row["file"]
    truths = truths[: options.limit]
    try:
        refuse_same_names(
            (t["file"] for t in truths), "Rename them, or give their truth files one by one"
        )
    except ValueError as error:
        sys.exit(f"evaluate: {error}")
    if options.readings:
        readings = read_jsonl(options.readings)
    else:
        readings = read_all([paths[t["file"]] for t in truths], options.height_rule, options.jobs)
        print(f"read {len(readings)} photos, {mean([r['seconds'] for r in readings]):.2f} s each")
    cases = compare_all(judged_by_rule(truths, readings, options.height_rule), readings)
    print(table(cases))
    if options.records:
        text = "".join(json.dumps(r) + "\n" for r in readings)
        Path(options.records).write_text(text, encoding="utf-8")
    if options.json:
        text = json.dumps(all_figures(cases), indent=1) + "\n"
        Path(options.json).write_text(text, encoding="utf-8")
    if options.markdown:
        Path(options.markdown).write_text(markdown(cases), encoding="utf-8")
    if options.plot:
        from training.riskplot import risk_plot

        Path(options.plot).write_text(risk_plot(sure_pairs(cases)), encoding="utf-8")
    if options.out:
        from training.page import write_page

        shown = write_page(Path(options.out), cases, paths, options.failures)
        print(f"{options.out}: {shown} photos shown")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
