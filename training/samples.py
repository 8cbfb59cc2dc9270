"""Samples in memory: truth lines parsed, images decoded, a pool that grows while renderers write.

A sample is an image, its class mask and one truth line. Coordinates are pixels, x right, y down,
pixel centres at integers + 0.5. The mask ids are 0 background, 1 blade, 2 sheath or stalk,
3 soil, 4 card.
"""

from __future__ import annotations

import contextlib
import json
import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor

from training.network import REASONS
from training.scoring import read_jsonl

# Other words for the same reasons, as truth files made elsewhere use them.
REASON_WORDS = {
    "two_plants": "several",
    "very_dark": "dark",
    "broadleaf_weed": "not_maize",
    "": "ok",
}
TIP_UNKNOWN = -1.0


@dataclass(frozen=True)
class Truth:
    """What one photo shows; arrays are empty where there is nothing.

    Attributes
    ----------
    collars : (n, 4) float32: x, y, rank, occluded (0 or 1).
    tips : (n, 9) float32: x, y, rank, occluded, has_collar, rounded, link_x, link_y, whole (not
        torn); unknown rounded, has_collar or whole is -1, an unknown link is NaN.
    tops : (n, 5) float32: x, y of a leaf's highest point, how far it stands towards the camera in
        px, whether it arches, whether the leaf is half out of the whorl; NaN unknown.
    base_xy, arch_xy : (2,) float32 or None.
    box : (4,) float32, x0, y0, x1, y1 of the whole plant (may reach past the photo), or None.
    """

    file: str
    reason: str
    stage: int | None
    collars: np.ndarray
    tips: np.ndarray
    tops: np.ndarray
    base_xy: np.ndarray | None
    arch_xy: np.ndarray | None
    box: np.ndarray | None
    laid: bool
    first_leaf: bool | None
    lost_leaves: int | None
    view: str
    hard_case: str
    row: Mapping[str, Any] = field(repr=False, default_factory=dict)

    @property
    def partial(self) -> bool:
        """Whether it shows part of a plant by intent: part of its stalk, or its foot."""
        return self.view in ("close", "foot")

    def known(self, kind: str) -> bool:
        """Whether "classes" (the part map), "points" (any), "tips", "soil" or "arch" were told."""
        return bool(self.row.get(f"{kind}_known", True))


def _flag(value: Any) -> float:
    return TIP_UNKNOWN if value is None else float(bool(value))


def _point(value: Any) -> np.ndarray | None:
    if value is None or any(v is None for v in value):
        return None
    return np.asarray(value, np.float32)


def _tops(row: Mapping[str, Any]) -> np.ndarray:
    """Highest points of the leaves that tell one; see `Truth`."""
    words = ("top_x", "top_y", "toward_px", "arches", "half_out")
    told = [tip for tip in row.get("tips") or [] if tip.get("top_x") is not None]
    return np.array([[tip.get(word) for word in words] for tip in told], np.float32).reshape(-1, 5)


def parse_truth(row: Mapping[str, Any]) -> Truth:
    """Read one truth line.

    Raises
    ------
    KeyError, TypeError, ValueError
        When the line lacks what no sample can do without (``file`` and a known ``reason``).
    """
    word = row.get("reason")
    if word is None:
        word = "ok" if row.get("usable", True) else ""
        if not row.get("usable", True):
            raise ValueError("an unusable sample must say its reason")
    reason = REASON_WORDS.get(word, word)
    if reason not in REASONS:
        raise ValueError(f"unknown reason {word!r}")
    collars = [
        (c["x"], c["y"], c.get("rank") or 0, bool(c.get("occluded")))
        for c in row.get("collars_visible_in_image") or []
        if c.get("x") is not None
    ]
    at_rank = {c[2]: (c[0], c[1]) for c in collars}
    tips = []
    for tip in row.get("tips") or []:
        if tip.get("x") is None:
            continue
        rank = tip.get("rank") or 0
        link_x, link_y = tip.get("link_x"), tip.get("link_y")
        if link_x is None or link_y is None:
            link_x, link_y = at_rank.get(rank, (np.nan, np.nan))
        rounded = tip.get("rounded")
        whole = tip.get("real_tip")
        if whole is False or not tip.get("shape_known", True):
            rounded = None  # a torn end is neither rounded nor pointed
        elif rounded is None and rank:
            rounded = rank == 1
        tips.append(
            (
                tip["x"],
                tip["y"],
                rank,
                bool(tip.get("occluded")),
                _flag(tip.get("has_collar")),
                _flag(rounded),
                link_x,
                link_y,
                _flag(whole),
            )
        )
    stage = row.get("stage_v")
    first = row.get("first_leaf")
    lost = row.get("lower_leaves_missing")
    return Truth(
        file=str(row["file"]),
        reason=reason,
        stage=None if stage is None else int(stage),
        collars=np.asarray(collars, np.float32).reshape(-1, 4),
        tips=np.asarray(tips, np.float32).reshape(-1, 9),
        tops=_tops(row),
        base_xy=_point(row.get("base_xy")),
        arch_xy=_point(row.get("arch_xy")),
        box=_point(row.get("plant_box_px")),
        laid=row.get("layout") == "laid",
        first_leaf=None if first is None else bool(first.get("present")),
        lost_leaves=None if lost is None else int(lost),
        view=str(row.get("view") or "photo"),
        hard_case=str(row.get("hard_case") or "none"),
        row=row,
    )


@dataclass(frozen=True)
class Sample:
    """An image (H, W, 3) uint8 RGB, its mask (H, W) uint8, its truth and its mean light.

    ``mean_light`` is the mean of the linear-light image, 0..1; exposure changes aim from it.
    The tensors lie on the CPU or, while there is room, already on the training device.
    """

    image: Tensor
    mask: Tensor
    truth: Truth
    mean_light: float


def mask_path(folder: Path, row: Mapping[str, Any]) -> Path:
    """Give the path of a sample's class mask."""
    named = row.get("mask")
    if isinstance(named, str):
        return folder / named
    return folder / (Path(str(row["file"])).stem + ".png")


def load_sample(folder: Path, row: Mapping[str, Any]) -> Sample:
    """Decode one sample.

    Raises
    ------
    OSError
        When the image or its mask cannot be read.
    """
    truth = parse_truth(row)
    image = cv2.imread(str(folder / truth.file), cv2.IMREAD_COLOR)
    mask = cv2.imread(str(mask_path(folder, row)), cv2.IMREAD_GRAYSCALE)
    if image is None or mask is None:
        raise OSError(f"cannot read {folder / truth.file} or its mask")
    if mask.shape != image.shape[:2]:
        raise OSError(f"mask and image of {folder / truth.file} differ in size")
    image = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
    thumbnail = image[::8, ::8].astype(np.float32) / 255.0
    return Sample(
        image=torch.from_numpy(np.ascontiguousarray(image)),
        mask=torch.from_numpy(np.ascontiguousarray(mask)),
        truth=truth,
        mean_light=float((thumbnail**2.2).mean()),
    )


def read_folder(folder: str | Path, limit: int | None = None) -> list[Sample]:
    """Decode every finished sample under a folder (``truth.jsonl`` here or in subfolders)."""
    paths = sorted(Path(folder).rglob("truth.jsonl"))
    rows = [(path.parent, row) for path in paths for row in read_jsonl(path)]
    return [load_sample(parent, row) for parent, row in rows[:limit]]


class Pool:
    """Decoded samples, growing in the background as renderers append truth lines.

    Several renderers may write ``part-*/truth.jsonl`` at once; only whole lines are taken, and a
    sample whose files are not there yet is tried again a few times. When `ram_gb` is full, a
    random old sample makes way for each new one. Call `start`, and `stop` at the end.

    Parameters
    ----------
    folders : where to look, with all subfolders.
    ram_gb, device_gb : room for samples in main memory, and on `device` (0: none there).
    load : how a truth line becomes a sample; another kind of sample has ``image``, ``mask`` and
        ``truth.view`` as well.
    """

    def __init__(
        self,
        folders: list[str],
        *,
        device: torch.device,
        ram_gb: float = 40.0,
        device_gb: float = 0.0,
        workers: int = 4,
        poll_s: float = 1.0,
        seed: int = 0,
        load: Callable[[Path, Mapping[str, Any]], Any] = load_sample,
    ):
        self._load = load
        self.folders = [Path(folder) for folder in folders]
        self.device = device
        self.ram_bytes = int(ram_gb * 1e9)
        self.device_bytes = int(device_gb * 1e9)
        self.poll_s = poll_s
        self.failures = 0
        self._rng = np.random.default_rng(seed)
        self._samples: list[Sample] = []
        self._photos: list[int] = []
        self._used_ram = 0
        self._used_device = 0
        self._offsets: dict[Path, int] = {}
        self._work: queue.Queue[tuple[Path, dict[str, Any], int]] = queue.Queue()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._follow, daemon=True)] + [
            threading.Thread(target=self._decode, daemon=True) for _ in range(workers)
        ]

    def start(self) -> None:
        """Begin to follow the folders."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Stop following; samples stay."""
        self._stop.set()

    def __len__(self) -> int:
        return len(self._samples)

    def idle(self) -> bool:
        """Tell whether every line found so far has been dealt with."""
        return self._work.unfinished_tasks == 0

    def scan(self) -> int:
        """Take up the truth lines written since the last scan; give how many."""
        taken = 0
        for folder in self.folders:
            for path in sorted(folder.rglob("truth.jsonl")):
                start = self._offsets.get(path, 0)
                with path.open("rb") as stream:
                    stream.seek(start)
                    fresh = stream.read()
                whole = fresh.rfind(b"\n") + 1
                self._offsets[path] = start + whole
                for line in fresh[:whole].splitlines():
                    if not line.strip():
                        continue
                    try:
                        row = json.loads(line)
                    except ValueError:
                        self.failures += 1
                        continue
                    self._work.put((path.parent, row, 3))
                    taken += 1
        return taken

    def _follow(self) -> None:
        while not self._stop.is_set():
            # A folder may come or go while renderers start; look again.
            with contextlib.suppress(OSError):
                self.scan()
            self._stop.wait(self.poll_s)

    def _decode(self) -> None:
        while not self._stop.is_set():
            try:
                folder, row, tries = self._work.get(timeout=0.2)
            except queue.Empty:
                continue
            try:
                self.add(self._load(folder, row))
            except OSError:
                if tries > 1:
                    time.sleep(0.3)
                    self._work.put((folder, row, tries - 1))
                else:
                    self.failures += 1
            except Exception:  # one bad sample must never end a run
                self.failures += 1
            finally:
                self._work.task_done()

    def add(self, sample: Sample) -> None:
        """Put one sample in, on the device while there is room, else in main memory."""
        size = sample.image.nbytes + sample.mask.nbytes
        with self._lock:
            on_device = self._used_device + size <= self.device_bytes
            if on_device:
                self._used_device += size
        if on_device:
            sample = self._upload(sample)
        with self._lock:
            if not on_device and self._used_ram + size > self.ram_bytes and self._samples:
                # Replace an old one of the same kind of view, so that indices stay true.
                for _ in range(20):
                    at = int(self._rng.integers(0, len(self._samples)))
                    old = self._samples[at]
                    same_home = old.image.device.type == "cpu"
                    if same_home and old.truth.view == sample.truth.view:
                        self._used_ram += size - old.image.nbytes - old.mask.nbytes
                        self._samples[at] = sample
                        break
                return
            if not on_device:
                self._used_ram += size
            if sample.truth.view == "photo":
                self._photos.append(len(self._samples))
            self._samples.append(sample)

    def _upload(self, sample: Sample) -> Sample:
        # A stream of its own: on the default one each copy would wait behind whole steps.
        stream = torch.cuda.Stream(self.device)
        with torch.cuda.stream(stream):
            image, mask = sample.image.to(self.device), sample.mask.to(self.device)
        stream.synchronize()
        return replace(sample, image=image, mask=mask)

    def draw(
        self,
        count: int,
        rng: np.random.Generator,
        photos_only: bool = False,
        newest_share: float = 0.25,
    ) -> list[Sample]:
        """Draw samples with replacement, a share of them from the newest fifth."""
        with self._lock:
            indices = self._photos if photos_only else range(len(self._samples))
            total = len(indices)
            if total == 0:
                return []
            fresh_from = total - max(1, total // 5)
            chosen = [
                int(rng.integers(fresh_from if rng.random() < newest_share else 0, total))
                for _ in range(count)
            ]
            return [self._samples[indices[k]] for k in chosen]

    def first(self, count: int | None) -> list[Sample]:
        """Give the first samples that came, for measuring."""
        with self._lock:
            return self._samples[:count]

    def has_photos(self) -> bool:
        """Tell whether any whole photo is there (the first look needs them)."""
        return bool(self._photos)
