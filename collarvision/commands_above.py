"""The command that reads photos from above: words in, calls to the rooms out."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from collarvision.commandline import (
    EXIT_INTERRUPTED,
    EXIT_MODEL,
    EXIT_OUTPUT,
    EXIT_USAGE,
    CheckBar,
    choice,
    end_with,
    field_outline,
    path_named,
    say,
)
from collarvision.progress import photo_progress, step_progress

if TYPE_CHECKING:
    import numpy as np

    from collarvision.above.calibration import AboveCalibration
    from collarvision.above.network import AboveNetwork
    from collarvision.above.scale import Stated
    from collarvision.above.values import FieldAbove, FrameAbove


ABOVE_EPILOG = """\b
Exit status:
  0    every photo was dealt with, also those that tell nothing
  2    the command was not understood, or no photo from above was given
  3    an output could not be written
  4    the network for photos from above is missing or broken
  130  stopped with Ctrl-C; run the same command to go on"""


FROM_THE_SIDE = (
    "This looks like a photo from the side: `collarvision stage` reads it. What is told here holds "
    "only if it was taken from above."
)
"""Said of a photo that was named outright, since it is read all the same."""


_KEPT_FORM = 3  # of what is said of a photo: answers of an earlier version are read again


class SpacingUnit(StrEnum):
    """Units of distances between plants; areas go with them."""

    inch = "in"
    cm = "cm"


def above(
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO_OR_ORTHOMOSAIC",
            help="Photos from above, folders of them, or a georeferenced orthomosaic (GeoTIFF).",
            parser=path_named,
            readable=False,
        ),
    ],
    rows: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Distance between rows, such as 30in or 76cm."),
    ] = None,
    height: Annotated[
        str | None,
        typer.Option(
            metavar="LENGTH", help="Height of the camera above the ground, such as 20ft or 6m."
        ),
    ] = None,
    field: Annotated[
        str | None, typer.Option(metavar="NAME", help="The field's name, also in the boundary.")
    ] = None,
    boundary: Annotated[
        Path | None,
        typer.Option(
            metavar="GEOJSON",
            help="The field's outline: what lies outside is left out.",
            readable=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            parser=path_named,
            readable=False,
            help="Write plants, gaps, overlays and a summary there.",
        ),
    ] = None,
    overlays: Annotated[
        bool, typer.Option(help="With --out, write each photo with what was found drawn on it.")
    ] = True,
    check_bar: CheckBar = 100.0,
    units: Annotated[
        SpacingUnit | None,
        choice(SpacingUnit, "By default those of your locale."),
    ] = None,
) -> None:
    """Count plants, gaps and leaf tips in photos from above: a range of stages, never the stage."""
    from collarvision.above.calibration import load_above_calibration
    from collarvision.above.fields import gather_field
    from collarvision.above.network import load_above_network
    from collarvision.abovereport.files import save_field
    from collarvision.abovereport.words import tell_field
    from collarvision.network import ModelError
    from collarvision.units import shown_here
    from collarvision.writing import OutputError

    stated = _stated(rows, height, check_bar)
    within = _within(boundary, field)
    try:
        network, calibration = load_above_network(), load_above_calibration()
    except ModelError as error:  # no network for such photos is one of them
        end_with(str(error), EXIT_MODEL)
    job = _Job(network, calibration, stated, within, out, overlays)
    try:
        frames = job.run(sources)
        if not frames:
            end_with("No photo from above was given: nothing was done.", EXIT_USAGE)
        told = gather_field(frames, calibration, name=field)
        if out is not None:
            save_field(told, out)
    except OutputError as error:
        end_with(str(error), EXIT_OUTPUT)
    except KeyboardInterrupt:
        kept = "; run the same command to go on" if out is not None else ""
        end_with(f"Stopped: what was read is {'kept' if kept else 'lost'}{kept}.", EXIT_INTERRUPTED)
    us = shown_here(None if units is None else units.value).us
    width = shutil.get_terminal_size((80, 24)).columns
    typer.echo(tell_field(told, us=us, width=width), nl=False)
    if out is not None:
        _say_next(told, out)


def _say_next(told: FieldAbove, out: Path) -> None:
    """Say where the files are, and `walk` only where it could go by them."""
    from collarvision.walk.flight import FlightError, flight_of

    try:
        flight_of(told)
    except FlightError as error:
        say(f"What was found is in {out}. {error}")
    else:
        say(f"Plants, gaps and pictures are in {out}; next: collarvision walk {out}")


class _Job:
    """Photos and orthomosaics one after another, each kept as it is done."""

    def __init__(
        self,
        network: AboveNetwork,
        calibration: AboveCalibration,
        stated: Stated,
        within: Any,
        out: Path | None,
        overlays: bool,
    ) -> None:
        self._network, self._calibration = network, calibration
        self._stated, self._within = stated, within
        self._out, self._overlays = out, overlays and out is not None
        self._side = 0

    def run(self, words: list[Path]) -> list[FrameAbove]:
        """Read all; photos of a folder that are taken from the side are left out, and said."""
        from collarvision.above.ortho import is_ortho
        from collarvision.abovereport.files import is_kept_plants, walk_words
        from collarvision.gathering import gather, passed_words
        from collarvision.writing import make_output_folder

        if self._out is not None:
            make_output_folder(self._out)
        named = {word.resolve() for word in words}
        frames: list[FrameAbove] = []
        self._side = 0
        passed: set[Path] = set()
        sources = gather(words, passed)
        if self._out is not None:
            own = self._out.resolve()
            sources = [one for one in sources if own not in one.path.resolve().parents]
            passed = {path for path in passed if own not in path.resolve().parents}
        over = passed_words(path for path in passed if not is_kept_plants(path))
        if over is not None:
            say(over)
        with photo_progress(len(sources), "Reading photos", order=("counted",)) as told:
            for number, source in enumerate(sources, start=1):
                if source.trouble is not None:
                    say(walk_words(source.path) or source.trouble)
                    continue
                with step_progress(source.path.name, shown=len(sources) < 3) as tell:
                    if is_ortho(source.path):
                        frame = self._ortho(source.path, tell)
                    else:
                        frame = self._photo(source.path, source.path.resolve() in named, tell)
                if frame is None:
                    told("left out", number)
                    continue
                frames.append(frame)
                told("not counted" if frame.plants is None else "counted", number)
        if self._side:  # what couldn't be read has been said by name
            say(f"{self._side} photo{'s' if self._side > 1 else ''} taken from the side left out.")
        return frames

    def _photo(
        self, path: Path, named: bool, tell: Callable[[int, int], None]
    ) -> FrameAbove | None:
        """Read a photo; None for one that isn't from above, unless the user names it."""
        from collarvision.above.frames import read_frame
        from collarvision.photo import load_photo
        from collarvision.photofile import PhotoError

        key = self._key(path)
        kept = self._kept(path, key)
        if kept is not None:
            return kept
        try:
            photo = load_photo(path)
            if photo.view != "above" and not named:
                self._side += 1
                return None
            # A large photo is decoded again as more of it is wanted, and damage may show only then.
            frame = read_frame(
                photo,
                self._network,
                self._calibration,
                self._stated,
                within=self._within,
                tell=tell,
            )
            if photo.view != "above":
                frame = _doubted(frame)
            picture = photo.pixels(max(photo.size) / 2400)[0] if self._overlays else None
        except PhotoError as error:
            say(f"{path}: {error}")
            return None
        self._keep(path, key, frame, picture)
        return frame

    def _ortho(self, path: Path, tell: Callable[[int, int], None]) -> FrameAbove | None:
        """Read an orthomosaic; None, and said, for one that can't be read."""
        from collarvision.above.ortho import BlocksError, OrthoError, read_ortho
        from collarvision.writing import OutputError

        key = self._key(path)
        kept = self._kept(path, key)
        if kept is not None:
            return kept
        try:
            frame, _ = read_ortho(
                path,
                self._network,
                self._calibration,
                self._stated,
                within=self._within,
                keep=self._out,
                tell=tell,
                done=lambda frame, picture: self._keep(path, key, frame, picture),
            )
        except OrthoError as error:
            say(str(error))
            return None
        except BlocksError as error:
            raise OutputError(str(error)) from error
        return frame

    def _kept(self, path: Path, key: str | None) -> FrameAbove | None:
        """What an earlier run made of a file, unless its picture is asked for and missing."""
        from collarvision.abovereport.files import load_frame

        if self._out is None or key is None:
            return None
        if self._overlays and not self._picture(path, key).exists():
            return None
        return load_frame(self._out, key)

    def _keep(
        self, path: Path, key: str | None, frame: FrameAbove, picture: np.ndarray | None
    ) -> None:
        from collarvision.abovereport.files import save_frame

        if self._out is None or key is None:
            return
        if self._overlays and picture is not None:
            self._draw(picture, frame, self._picture(path, key))
        save_frame(frame, self._out, key)

    def _key(self, path: Path) -> str | None:
        """Short name of a file as it is now, read in this way."""
        import hashlib

        try:
            status = path.stat()
        except OSError:
            return None
        said = (
            f"{path.resolve()}|{status.st_size}|{status.st_mtime_ns}|{self._network.version}|"
            f"{self._calibration}|{self._stated}|{self._within}|{_KEPT_FORM}"
        )
        return hashlib.sha256(said.encode("utf-8", "replace")).hexdigest()[:12]

    def _picture(self, path: Path, key: str) -> Path:
        from collarvision.overlay import overlay_name

        if self._out is None:
            raise ValueError("no folder for pictures")
        return self._out / "overlays" / overlay_name(path.stem, f"-{key[:4]}")

    def _draw(self, rgb: np.ndarray, frame: FrameAbove, path: Path) -> None:
        from collarvision.abovereport.picture import save_above
        from collarvision.writing import OutputError, make_output_folder, what_to_do

        make_output_folder(path.parent)
        try:
            save_above(rgb, frame, path)
        except OSError as error:
            raise OutputError(
                f"The overlay {path} can't be written ({error.strerror}): "
                f"{what_to_do(error, 'folder')}."
            ) from error


def _doubted(frame: FrameAbove) -> FrameAbove:
    """A photo that doesn't look taken from above, and says so before all else."""
    from dataclasses import replace

    return replace(
        frame,
        quality=("from-the-side", *frame.quality),
        reasons=(FROM_THE_SIDE, *frame.reasons),
    )


def _stated(rows: str | None, height: str | None, check_bar: float) -> Stated:
    from collarvision.above.scale import LEAST_ROWS_M, MOST_ROWS_M, Stated
    from collarvision.units import UnitError, read_length_mm

    def metres(option: str, said: str | None, example: str) -> float | None:
        try:
            return None if said is None else float(read_length_mm(said, example)) / 1000
        except UnitError as error:
            end_with(f"{option}: {error}", EXIT_USAGE)

    apart = metres("--rows", rows, "'30 in' or '76 cm'")
    up = metres("--height", height, "'20 ft' or '6 m'")
    if apart is not None and not LEAST_ROWS_M <= apart <= MOST_ROWS_M:
        end_with(
            f"--rows {rows} can't be corn's ({LEAST_ROWS_M:g} to {MOST_ROWS_M:g} m): measure from "
            "one row to the next.",
            EXIT_USAGE,
        )
    if up is not None and not 0.5 <= up <= 150.0:
        end_with(
            f"--height {height} can't be right for seeing leaves (0.5 to 150 m): give the height "
            "above the ground, not above the sea.",
            EXIT_USAGE,
        )
    return Stated(apart, up, check_bar)


class _Within:
    """Says of places whether they lie in the field; its text names it for what is kept."""

    def __init__(self, boundary: Any) -> None:
        self._boundary = boundary

    def __call__(self, lat: np.ndarray, lon: np.ndarray) -> np.ndarray:
        import numpy as np

        x, y = self._boundary.metres(lat, lon)
        found: np.ndarray = self._boundary.inside(np.column_stack([x, y]))
        return found

    def __repr__(self) -> str:
        import hashlib

        # Outlines may share their middle and area. As lists: an array's `repr` leaves corners out.
        corners = [[ring.tolist() for ring in part] for part in self._boundary.polygons_m]
        named = hashlib.sha256(repr(corners).encode()).hexdigest()[:16]
        return f"{self._boundary.origin} {named}"


def _within(boundary: Path | None, field: str | None) -> _Within | None:
    return None if boundary is None else _Within(field_outline(boundary, field))
