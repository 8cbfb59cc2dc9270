"""The run-time network: finding the model file, and one cached ONNX session a process.

Nothing here knows what the numbers mean; `collarvision.parts` does.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

MODEL_VARIABLE = "COLLARVISION_MODEL"
"""Environment variable that names another model file."""

MODEL_FILE = "collarvision.onnx"

MAP_STRIDE = 4
"""Image px per map cell."""

MAP_CHANNELS = 25
GLOBAL_CHANNELS = 31

MAX_THREADS = 4

STAGE_COUNT = 13
"""Stages VE, V1 ... V12: the length of every stage distribution in the package."""

USABILITY_NAMES = ("ok", "no_plant", "several", "cut_off", "blurred", "dark", "not_maize")
"""Order of the network's usability outputs."""

BACKGROUND, BLADE, STALK, SOIL, CARD = range(5)
"""Classes of the network's map; `BACKGROUND` includes the board, `STALK` the sheaths."""


class ModelError(Exception):
    """The model can't be used; the message is one sentence that says what to do."""


def models_folder() -> Path:
    """Give the folder of model files: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parent
    inside = package / "models"
    return inside if inside.is_dir() else package.parent / "models"


def model_path(path: str | Path | None = None) -> Path:
    """Find the network's file.

    Parameters
    ----------
    path : str or Path, optional
        Use this file; without it the environment variable `MODEL_VARIABLE`, then the file that
        came with the package.

    Raises
    ------
    ModelError
        When there is no such file.
    """
    chosen = path or os.environ.get(MODEL_VARIABLE)
    found = Path(chosen) if chosen else models_folder() / MODEL_FILE
    if not found.is_file():
        raise ModelError(
            f"The network's file {found} is missing. Install the package again, or point "
            f"{MODEL_VARIABLE} at a model file."
        )
    return found


@dataclass(frozen=True)
class Network:
    """A loaded network.

    Attributes
    ----------
    session : onnxruntime.InferenceSession
    version : str
        What the model file says of itself.
    """

    session: Any
    version: str

    def run(self, image: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Read one image.

        Parameters
        ----------
        image : ndarray, (H, W, 3) uint8
            RGB; both sides multiples of 32.

        Returns
        -------
        maps : ndarray, (25, H/4, W/4) float32
        summary : ndarray, (31,) float32
        """
        batch = np.ascontiguousarray(image.transpose(2, 0, 1)[None], dtype=np.float32)
        batch *= np.float32(1 / 255)
        maps, summary = self.session.run(["maps", "globals"], {"image": batch})
        return maps[0], summary[0]


_networks: dict[tuple[str, int], Network] = {}
_lock = threading.Lock()


def load_network(path: str | Path | None = None) -> Network:
    """Open the network, or hand back the one already open in this process.

    Raises
    ------
    ModelError
        When the file is missing or isn't a network of this kind.
    """
    found = model_path(path).resolve()
    # A session's threads do not survive a fork, so a child process opens its own.
    key = (str(found), os.getpid())
    with _lock:
        if key not in _networks:
            _networks[key] = _open(found)
        return _networks[key]


def _open(path: Path) -> Network:
    return Network(*open_session(path, {"maps": MAP_CHANNELS, "globals": GLOBAL_CHANNELS}))


def open_session(path: Path, channels: Mapping[str, int]) -> tuple[Any, str]:
    """Open a model file, and give its session and what it says of its version.

    Parameters
    ----------
    path : Path
    channels : mapping of str to int
        Outputs that it must have, and how many channels each has.

    Raises
    ------
    ModelError
        When it can't be read, or has other outputs.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = usable_threads()
    options.inter_op_num_threads = 1
    # The arena saves a fifth of the time; planning memory patterns saves none and costs 130 MB,
    # as the two looks have different shapes.
    options.enable_cpu_mem_arena = True
    options.enable_mem_pattern = False
    # Threads that spin while they wait would take the CPU from the card's search beside them, and
    # from other processes: a fifth of the time, for a millisecond or two gained on an idle machine.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.log_severity_level = 3
    try:
        session = onnxruntime.InferenceSession(
            str(path), sess_options=options, providers=["CPUExecutionProvider"]
        )
    except Exception as error:
        raise ModelError(
            f"The network's file {path} can't be read. Install the package again."
        ) from error
    shapes = {output.name: output.shape for output in session.get_outputs()}
    if any(shapes.get(name, [0, 0])[1] != count for name, count in channels.items()):
        raise ModelError(
            f"The network's file {path} belongs to another version of this program. "
            "Install the package again."
        )
    said = session.get_modelmeta().custom_metadata_map.get("version")
    return session, said or path.stem


def usable_threads() -> int:
    """Threads that one photo's reading may keep busy: of several workers each has its share."""
    return max(1, min(MAX_THREADS, usable_cpus()))


def usable_cpus() -> int:
    """CPUs that this process may use."""
    # A container or `taskset` may allow fewer CPUs than the machine has.
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
