"""Photo: one file or its bytes in, upright sRGB pixels and what the camera noted out.

This room knows file formats and EXIF, and nothing of plants or cards. JPEG, the format of nearly
every phone photo, is decoded by OpenCV; everything else goes through Pillow. The size is read from
the header and bounded before a single pixel is decoded.

A JPEG can be decoded at a half or a quarter of its size for little more than unpacking it costs, as
its blocks hold means first. A large one is, and again in full only where a room asks for more; or
beside it at once, where a CPU would else be idle.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np

from collarvision.exif import Notes, read_notes
from collarvision.fieldlook import field_picture, shows_field
from collarvision.jpeg import JpegLayout, every_row_coded, jpeg_layout
from collarvision.otherformats import load_heic, load_with_pillow
from collarvision.photofile import READABLE, PhotoError, check_size, damaged, kind_of, read_file
from collarvision.upright import in_srgb, upright
from collarvision.viewpoint import FlightNotes, View, flight_notes, noted_view

COARSE_SIDE_PX = 1600
"""Least long side of the first, coarser decoding of a large JPEG."""

STEPS = (8, 4, 2)
"""Photo px per px of a coarser decoding."""

AHEAD_STEP = 2
"""Only from so fine a decoding the next finer one may be begun before it is asked for. It is every
pixel then; of a photo that starts coarser more steps could follow, and few plants need any."""


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo and what its file says about itself.

    Attributes
    ----------
    name : str
        Base name, for the record.
    decoded : ndarray, (H / step, W / step, 3) uint8
        The picture as first decoded: upright (EXIF orientation applied), sRGB.
    sha256 : str
        Of the file's bytes, lower-case hexadecimal.
    taken_at : datetime or None
        EXIF capture time; aware of its zone only where the file gives the offset.
    gps : (latitude, longitude) or None
        Degrees, WGS 84, north and east positive.
    focal_eq_mm : float or None
        35 mm-equivalent focal length, mm.
    resized : bool
        Whether EXIF notes another number of px than there are: cropped since, or shrunk.
    size_ratio : float
        The long side that EXIF notes over the actual one; 1 where it notes none.
    turned : bool
        Whether EXIF's orientation turned it: its upper edge isn't the camera's.
    view : str
        ``above`` for a photo taken from the air, else ``side``; see `collarvision.viewpoint`.
    flight : FlightNotes
        Height, tilt and heading, as far as the file tells them.
    step : int
        Photo px per px of `decoded`, in both directions; 1 where that is the whole picture.
    decode : callable, optional
        Gives the picture at a smaller step. Needed where `step` isn't 1.
    small : ndarray, (h, w, 3) uint8, optional
        What `field_picture` makes of `decoded`, where a field was looked for.
    """

    name: str
    decoded: np.ndarray
    sha256: str
    taken_at: datetime | None = None
    gps: tuple[float, float] | None = None
    focal_eq_mm: float | None = None
    resized: bool = False
    size_ratio: float = 1.0
    turned: bool = False
    view: View = "side"
    flight: FlightNotes = field(default_factory=FlightNotes)
    step: int = 1
    decode: Callable[[int], np.ndarray] | None = field(default=None, repr=False)
    small: np.ndarray | None = field(default=None, repr=False)
    _finer: dict[int, np.ndarray] = field(default_factory=dict, init=False, repr=False)
    _locks: dict[int, threading.Lock] = field(
        default_factory=lambda: {step: threading.Lock() for step in (1, *STEPS)},
        init=False,
        repr=False,
    )

    @property
    def rgb(self) -> np.ndarray:
        """(H, W, 3) uint8: every pixel, upright, sRGB; decoded when first asked for."""
        return self.pixels(1)[0]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        height, width = self.decoded.shape[:2]
        return width * self.step, height * self.step

    def pixels(self, coarsest: float = np.inf) -> tuple[np.ndarray, int]:
        """Give the picture with one px for at most `coarsest` photo px in each direction.

        Returns
        -------
        rgb : ndarray, (H / step, W / step, 3) uint8
        step : int
            Photo px per px: a place in `rgb` times `step` is the place in the photo.
        """
        step = self.step
        while self.decode is not None and step > 1 and step > coarsest:
            step //= 2
        if step == self.step or self.decode is None:
            return self.decoded, self.step
        with self._locks[step]:  # whoever asks while it is being decoded waits for it
            if step not in self._finer:
                self._finer[step] = self.decode(step)
        return self._finer[step], step

    def begin(self, coarsest: float) -> None:
        """Decode in a thread of its own what `pixels` is going to be asked for."""

        def decode() -> None:
            # Whoever asks for it tries again, and meets the error where it can be told.
            with suppress(Exception):
                self.pixels(coarsest)

        threading.Thread(target=decode, name="decoding", daemon=True).start()


def load_photo(
    source: str | Path | bytes,
    name: str | None = None,
    *,
    max_megapixels: float = 120.0,
    ahead: bool = False,
) -> Photo:
    """Read a photo from a path or from bytes.

    Parameters
    ----------
    source : str, Path or bytes
        A file's path, or the bytes of one. The file is read once; the hash is of those bytes.
    name : str, optional
        Name for the record; by default the path's base name, or "photo" for bytes.
    max_megapixels : float
        Bound on the pixels that the header announces, checked before decoding.
    ahead : bool
        Decode all pixels of a JPEG that is first decoded at half its size beside that, in a thread:
        nothing is waited for should they be asked for, and a CPU has worked for nothing if not.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        Missing, unreadable, empty, damaged, too large or no photo at all.
    """
    if isinstance(source, bytes):
        data, name = source, name or "photo"
    else:
        data, name = read_file(Path(source)), name or Path(source).name
    if not data:
        raise PhotoError("The file is empty (0 bytes): copy it from the camera again.")
    kind = kind_of(data)
    step, decode = 1, None
    if kind == "jpeg":
        rgb, notes, step, decode = _load_jpeg(data, max_megapixels, ahead=ahead)
    elif kind == "heic":
        rgb, notes = load_heic(data, max_megapixels)
    elif kind == "pillow":
        rgb, notes = load_with_pillow(data, max_megapixels)
    else:
        raise PhotoError(f"This is {kind}, not a photo: give a {READABLE} file.")
    flight = _flight(data, notes)
    view, small = noted_view(flight), None
    if view == "side":
        # The picture itself is looked at only where the file says nothing of a flight.
        small = field_picture(rgb)
        view = "above" if shows_field(small) else "side"
    return Photo(
        name=name,
        decoded=np.ascontiguousarray(rgb),
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=notes.taken_at,
        gps=notes.gps,
        focal_eq_mm=notes.focal_eq_mm,
        resized=notes.resized,
        size_ratio=notes.size_ratio,
        turned=notes.orientation != 1,
        view=view,
        flight=flight,
        step=step,
        decode=decode,
        small=small,
    )


def _flight(data: bytes, notes: Notes) -> FlightNotes:
    """Flight notes of the XMP packet, with what EXIF knows besides."""
    flight = flight_notes(data)
    heading = flight.heading_deg if flight.heading_deg is not None else notes.heading_deg
    # A picture that was turned upright has its upper edge elsewhere. So may one taken upside down:
    # a mount's notes can say the same way up as half a turn of roll and of yaw.
    unsure = notes.orientation != 1 or abs(flight.roll_deg or 0.0) > 90.0
    return replace(
        flight,
        heading_deg=None if unsure else heading,
        sea_height_m=notes.sea_height_m if flight.sea_height_m is None else flight.sea_height_m,
    )


# --------------------------------------------------------------------------- JPEG


def _load_jpeg(
    data: bytes, max_megapixels: float, *, ahead: bool
) -> tuple[np.ndarray, Notes, int, Callable[[int], np.ndarray] | None]:
    """Pixels, notes, the step that the pixels were decoded at, and how to get them finer."""
    layout = jpeg_layout(data)
    if layout.width == 0 or layout.height == 0:
        raise _cut_short() if layout.end is None else damaged("JPEG")
    check_size(layout.width, layout.height, max_megapixels)
    if layout.end is None:
        # Some cameras forget the end marker; that alone is no harm.
        if not (layout.sequential and every_row_coded(data, len(data))):
            raise _cut_short()
        data += b"\xff\xd9"
    if layout.components == 4:
        rgb, notes = load_with_pillow(data, max_megapixels)
        if not _whole(data, layout, flat=False):
            raise _cut_short()
        return rgb, notes, 1, None
    step = _coarse_step(layout.width, layout.height)
    notes = read_notes(layout.exif, layout.width, layout.height)

    def finished(pixels: np.ndarray) -> np.ndarray:
        return upright(in_srgb(pixels, layout.profile), notes.orientation)

    def decode(step: int) -> np.ndarray:
        return finished(_decoded(data, layout, step))

    finer = _begun(decode) if ahead and step == AHEAD_STEP else decode
    pixels = _decoded(data, layout, step)
    corner = 8 // step
    if not _whole(data, layout, flat=np.ptp(pixels[-corner:, -corner:]) == 0):
        raise _cut_short()
    return finished(pixels), notes, step, finer


def _begun(decode: Callable[[int], np.ndarray]) -> Callable[[int], np.ndarray]:
    """Begin to decode every pixel in a thread of its own; gives `decode`, which waits for that."""
    every: Future[np.ndarray] = Future()

    def begin() -> None:
        try:
            every.set_result(decode(1))
        except BaseException as error:
            every.set_exception(error)

    def waited(step: int) -> np.ndarray:
        # What failed (for want of memory) is tried again, and fails where it can be told.
        return every.result() if step == 1 and every.exception() is None else decode(step)

    threading.Thread(target=begin, name="decoding", daemon=True).start()
    return waited


def _whole(data: bytes, layout: JpegLayout, *, flat: bool) -> bool:
    """Say whether a JPEG with an end marker holds all of its picture.

    Some tools close a broken file with that marker. The decoder then paints what is missing of a
    sequential file in one grey, which no sensor does: only where the last corner is `flat` is a
    second look worth its time. A file of several scans gets coarser, or grey, so it always is.
    """
    if layout.end is None:
        return True  # looked at already
    if layout.scans > 1:
        return layout.all_sent and every_row_coded(data, layout.end, halved=True)
    return layout.all_sent and (not flat or every_row_coded(data, layout.end))


def _coarse_step(width: int, height: int) -> int:
    """Step of the first decoding; one that doesn't divide both sides would shift a turned photo."""
    for step in STEPS:
        if max(width, height) >= step * COARSE_SIDE_PX and width % step == height % step == 0:
            return step
    return 1


def _decoded(data: bytes, layout: JpegLayout, step: int) -> np.ndarray:
    """(height / step, width / step, 3) RGB pixels of a JPEG."""
    flags = cv2.IMREAD_IGNORE_ORIENTATION
    in_rgb = getattr(cv2, "IMREAD_COLOR_RGB", None)  # OpenCV 4.11 on
    if step > 1:
        flags |= getattr(cv2, f"IMREAD_REDUCED_COLOR_{step}")
        in_rgb = None
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags | (in_rgb or cv2.IMREAD_COLOR))
    except cv2.error as error:
        if error.code == cv2.Error.StsNoMem:
            # The photo is whole: it's read again once there is room.
            raise MemoryError(error.err) from error
        raise damaged("JPEG") from None
    if pixels is None or pixels.shape[:2] != (layout.height // step, layout.width // step):
        raise damaged("JPEG")
    return pixels if in_rgb else cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)


def _cut_short() -> PhotoError:
    return PhotoError(
        "The JPEG is cut short (the copy did not finish): copy it from the camera again."
    )
