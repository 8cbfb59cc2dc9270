"""Orthomosaic blocks: what was found in a piece of a mosaic, kept on disk until all are done."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np

from collarvision.above.calibration import AboveCalibration
from collarvision.above.finding import PLANT_FIELDS, Found, LeafGrid, nothing_found


@dataclass(frozen=True, eq=False)
class Part:
    """A block's plants, which of its coarse squares show ground, and a small picture of it."""

    found: Found
    seen: np.ndarray
    small: np.ndarray


class BlocksError(Exception):
    """Finished blocks can't be kept; `str(error)` says what to do."""


class Blocks:
    """Finished blocks on disk; without a folder nothing is kept."""

    def __init__(self, folder: Path | None, key: str) -> None:
        self._folder = None if folder is None else folder / f"blocks-{key}"
        if self._folder is not None:
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise self._unkept(error) from error

    def load(self, number: int) -> Part | None:
        """A block of an earlier run; None where there is none, or a broken one."""
        if self._folder is None:
            return None
        try:
            with np.load(self._path(number), allow_pickle=False) as kept:
                counts = kept["counts"].tolist()
                found = replace(
                    nothing_found(),
                    **{name: kept[name] for name in _KEPT},
                    canopy_cells=counts[0],
                    other_cells=counts[1],
                    cells=counts[2],
                    leaves=tuple(
                        LeafGrid(int(left), int(top), kept[f"leaves_{k}"])
                        for k, (left, top) in enumerate(kept["leaf_corners"])
                    ),
                )
                return Part(found, kept["seen"], kept["small"])
        except (OSError, ValueError, KeyError, EOFError, BadZipFile):
            return None

    def save(self, number: int, part: Part) -> None:
        """Keep a block, whole or not at all.

        Raises
        ------
        BlocksError
            The disk is full, or the folder may not be written.
        """
        if self._folder is None:
            return
        found = part.found
        columns: dict[str, Any] = {name: getattr(found, name) for name in _KEPT}
        columns["counts"] = np.array([found.canopy_cells, found.other_cells, found.cells])
        columns["leaf_corners"] = np.array([(g.left, g.top) for g in found.leaves]).reshape(-1, 2)
        columns |= {f"leaves_{k}": grid.share for k, grid in enumerate(found.leaves)}
        written = self._folder / f".{number}.part"
        try:
            with open(written, "wb") as stream:
                np.savez(stream, **columns, seen=part.seen, small=part.small)
            os.replace(written, self._path(number))
        except OSError as error:
            raise self._unkept(error) from error

    def forget(self) -> None:
        """Clear the blocks away: all of them are in the answer."""
        if self._folder is None:
            return
        for path in self._folder.iterdir():
            path.unlink()
        self._folder.rmdir()

    def _unkept(self, error: OSError) -> BlocksError:
        return BlocksError(
            f"{self._folder} can't be written ({error.strerror}): free some space, or choose "
            "another folder, and run the same command again."
        )

    def _path(self, number: int) -> Path:
        if self._folder is None:
            raise ValueError("no folder for blocks")
        return self._folder / f"{number}.npz"


_FORM: Final = 2  # of what a block holds: those of an earlier version are read again

_KEPT: Final = (*PLANT_FIELDS, "tip_x", "tip_y", "tip_owner")


def run_key(
    path: Path, model: str, calibration: AboveCalibration, side: int, field: object = None
) -> str:
    """Short name of a file as it is now, read by this network inside of this field."""
    status = path.stat()
    said = f"{path.name}|{status.st_size}|{status.st_mtime_ns}|{model}|{calibration}|{side}"
    said += f"|{field}|{_FORM}"
    return hashlib.sha256(said.encode()).hexdigest()[:12]
