"""Pictures: a survey's photos for the page, decoded and encoded anew, never a file as it lies.

A photo is asked for by its hash; where it lies is the survey's word alone, and what lies there must
still be that photo.
"""

from __future__ import annotations

import hashlib
import os
import stat
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Final, Literal

from collarvision.photo import load_photo
from collarvision.photofile import MAX_FILE_BYTES, PhotoError
from collarvision.survey import SurveyReader

Size = Literal["page", "full"]
LONG_SIDE_PX: Final[dict[Size, int]] = {"page": 1600, "full": 6000}
_QUALITY: Final = {"page": 85, "full": 90}
_KEPT_BYTES: Final = 64 * 2**20
_AT_ONCE: Final = 2


class Pictures:
    """Photos of a survey as JPEGs for the page; the last ones are kept in memory."""

    def __init__(self, survey: Path) -> None:
        self._survey = survey
        self._kept: OrderedDict[tuple[str, Size], bytes] = OrderedDict()
        self._lock = threading.Lock()
        # A decoded photo may take 300 MB: not as many at a time as there are requests.
        self._working = threading.Semaphore(_AT_ONCE)

    def get(self, sha256: str, size: Size) -> bytes | None:
        """JPEG of a photo; None where it isn't to be found any more, or can't be read."""
        key = (sha256, size)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        with self._working:
            made = self._make(sha256, size)
        if made is not None:
            self.keep(sha256, size, made)
        return made

    def keep(self, sha256: str, size: Size, jpeg: bytes) -> None:
        """Keep a picture, and forget the oldest ones if they become too many."""
        with self._lock:
            self._kept[sha256, size] = jpeg
            while sum(map(len, self._kept.values())) > _KEPT_BYTES and len(self._kept) > 1:
                self._kept.popitem(last=False)

    def _make(self, sha256: str, size: Size) -> bytes | None:
        with SurveyReader(self._survey) as survey:
            paths = list(survey.files_of(sha256))
        for path in paths:
            data = _content(path)
            if data is None or hashlib.sha256(data).hexdigest() != sha256:
                continue
            try:
                return encode(load_photo(data).rgb, size)
            except PhotoError:
                return None
        return None


def encode(rgb: object, size: Size) -> bytes:
    """Shrink an RGB array, (H, W, 3) uint8, to the page's size and give it as JPEG."""
    import cv2
    import numpy as np

    picture = np.asarray(rgb)
    height, width = picture.shape[:2]
    scale = LONG_SIDE_PX[size] / max(height, width)
    if scale < 1:
        small = (max(1, round(width * scale)), max(1, round(height * scale)))
        picture = cv2.resize(picture, small, interpolation=cv2.INTER_AREA)
    done, jpeg = cv2.imencode(
        ".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _QUALITY[size]]
    )
    if not done:
        raise ValueError("the picture could not be encoded")
    return jpeg.tobytes()


def _content(path: str) -> bytes | None:
    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode) or status.st_size > MAX_FILE_BYTES:
            return None
        return Path(path).read_bytes()
    except (OSError, ValueError):
        return None
