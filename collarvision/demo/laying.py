"""Laying: the demo farm's files into a folder, whole, and never over anybody's own files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Final

from collarvision.demo import farm
from collarvision.demo.counts import hand_counts, read_truth
from collarvision.demo.flown import FOLDER, KEY, flight_files
from collarvision.demo.stamp import stamped
from collarvision.writing import what_to_do

MARK: Final = ".collarvision-demo.json"
"""File that says a folder holds the demo: for which day, and which files are its own."""

COUNTS: Final = "hand_counts.coco.json"


class DemoError(Exception):
    """The demo can't be laid out there; `str(error)` is one sentence that says what to do."""


class DemoWriteError(DemoError):
    """The folder could be the demo's, but can't be written to."""


@dataclass(frozen=True)
class Laid:
    """What was laid out: the folder, the day it is for, and how much it holds."""

    folder: Path
    today: date
    fields: int
    photos: int


def photos_folder() -> Path:
    """Folder of packaged photos: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "demo_photos"
    return inside if inside.is_dir() else package.parent / "demo_photos"


def lay_out(folder: Path, today: date | None = None, photos: Path | None = None) -> Laid:
    """Lay the demo farm out.

    Parameters
    ----------
    folder : Path
        Made if it isn't there. It must be empty, or hold the demo: then the demo's own files are
        written anew and all others stay.
    today : date, optional
        Day that visits and weather are counted from; the day of the demo that is there already,
        else the computer's.
    photos : Path, optional
        Folder of the rendered photos; the packaged ones by default.

    Raises
    ------
    DemoError
    """
    source = photos or photos_folder()
    files = sorted(path.name for path in source.glob("*.jpg"))
    if not files:
        raise DemoError("The demo's photos are missing: install collarvision again.")
    try:
        then, own = _what_is_there(folder)
        day = today or then or date.today()
        placed = list(farm.photos_of(files, day))
        pictures = [
            stamped((source / photo.file).read_bytes(), photo.taken_at, photo.gps)
            for photo in placed
        ]
        hashes = [hashlib.sha256(picture).hexdigest() for picture in pictures]
        texts = _texts(day) | {
            COUNTS: hand_counts(zip(placed, hashes, strict=True), read_truth(source))
        }
        made = {name: text.encode("utf-8") for name, text in texts.items()} | flight_files(day)
        folder.mkdir(parents=True, exist_ok=True)
        names = sorted([str(photo.place) for photo in placed] + list(made))
        _clear(folder, own - set(names))
        # First the mark: a layout that was stopped half way can be taken up again.
        (folder / MARK).write_text(
            json.dumps({"today": day.isoformat(), "files": names}, indent=1) + "\n", "utf-8"
        )
        for photo in placed:
            path = folder / photo.place
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(stamped((source / photo.file).read_bytes(), photo.taken_at, photo.gps))
        for name, data in made.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    except OSError as error:
        raise DemoWriteError(
            f"The demo can't be written to {folder} ({error.strerror}): "
            f"{what_to_do(error, 'folder')}."
        ) from error
    return Laid(folder, day, len({photo.field.key for photo in placed}), len(placed))


def _what_is_there(folder: Path) -> tuple[date | None, set[str]]:
    """Day and files of the demo that the folder holds; nothing for a new or an empty folder."""
    if not folder.exists():
        return None, set()
    if not folder.is_dir():
        raise DemoError(f"{folder} is a file: give the name of a folder.")
    if not any(folder.iterdir()):
        return None, set()
    try:
        said = json.loads((folder / MARK).read_text("utf-8"))
        return date.fromisoformat(said["today"]), {str(name) for name in said["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        raise DemoError(
            f"The folder {folder} isn't empty and holds no demo: give a new folder."
        ) from None


def _clear(folder: Path, names: set[str]) -> None:
    """Remove files of an earlier demo that this one doesn't have, and folders left empty."""
    root = folder.resolve()
    for name in names:
        path = folder / name
        if root not in path.resolve().parents:
            continue  # the mark was edited: nothing outside of the folder is ours
        path.unlink(missing_ok=True)
        for parent in _parents_within(path, folder):
            if any(parent.iterdir()):
                break
            parent.rmdir()


def _parents_within(path: Path, folder: Path) -> Iterator[Path]:
    for parent in path.parents:
        if parent == folder or not parent.is_dir():
            return
        yield parent


def _texts(today: date) -> dict[str, str]:
    return {
        "fields.geojson": farm.outlines(),
        "limits.toml": farm.limits(today),
        "temperatures.csv": farm.weather(today),
        "README.md": _readme(today),
    }


def _readme(today: date) -> str:
    fields = [field.name for field in farm.FIELDS]
    first, flown = fields[0], farm.field_of(KEY).name
    walked = today - timedelta(days=farm.VISIT_DAYS_AGO[2])
    return f"""\
# {farm.FARM}

An invented farm to try collarvision on: four fields, walked twice, a week apart, and a fifth that
was flown over first and then walked where the flight said. The photos are
renders of the project's own plant generator, with an invented time and place written into them; the
products, limits and weather are invented too. It was laid out for {today}.

| what | where |
|---|---|
| photos, by field, day and stop | `photos/` |
| outlines of the fields | `fields.geojson` |
| hand counts of four fields at the last visit | `{COUNTS}` |
| a flight over {flown}: invented plants from above, without photos | `{FOLDER}/` |
| limits of "Product A" and "Product B" | `limits.toml` |
| daily temperatures and a forecast | `temperatures.csv` |

## Try

In this folder:

```sh
collarvision batch photos --survey farm.survey --fields fields.geojson
collarvision field farm.survey --field "{first}" --limits limits.toml
collarvision import farm.survey --from {COUNTS} --who "Demo"
collarvision field farm.survey --field "{first}" --limits limits.toml \\
    --temperatures temperatures.csv --report report.html
collarvision walk {FOLDER} --boundary fields.geojson --field "{flown}" --day {walked} \\
    --map walk.html
collarvision field farm.survey --field "{flown}" --limits limits.toml \\
    --above {FOLDER} --report flown.html
collarvision handcount farm.survey
collarvision export farm.survey --to plants.csv
collarvision plan --boundary fields.geojson --field "{first}" --seed 3
collarvision stage "photos/{first}" --overlay marked
```

On a later day add `--day {today}` to `field`, or lay the demo out anew with `--date`: an old visit
tells nothing of today. Run the first line again: nothing is read twice. Move photos about, rename
them, run it again: each still counts once.

With the hand counts in, at the last visit and for Product A, {fields[0]} is open,
{fields[1]} is closing, and {fields[2]} is past. {fields[3]} can't be told:
few plants were photographed, some of them badly, and nobody has counted those that wait.
{flown} is past too, though half of it is only at V5: its north-western slope is further on, and the
walk list went there. With the temperatures {fields[0]} is closing: it was open at the visit, and by
heat it may be past within a day. The label is the law; local rules and licensed practice decide.
"""
