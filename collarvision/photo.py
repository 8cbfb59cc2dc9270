"""Photo: one file or its bytes in, upright sRGB pixels and what the camera noted out.

This room knows file formats and EXIF, and nothing of plants or cards. JPEG, the format of nearly
every phone photo, is decoded by OpenCV; everything else goes through Pillow. The size is read from
the header and bounded before a single pixel is decoded.

A JPEG can be decoded at a half or a quarter of its size for little more than unpacking it costs, as
its blocks hold means first. A large one is, and again in full only where a room asks for more.
"""

from __future__ import annotations

import hashlib
import io
import stat
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from collarvision.exif import Notes, read_notes
from collarvision.fieldlook import shows_field
from collarvision.jpeg import JpegLayout, every_row_coded, jpeg_layout
from collarvision.upright import in_srgb, upright
from collarvision.viewpoint import FlightNotes, View, flight_notes, noted_view

MIN_SIDE_PX = 64
"""A picture smaller than this is an icon, not a photo of a plant."""

COARSE_SIDE_PX = 1600
"""Least long side of the first, coarser decoding of a large JPEG."""

STEPS = (8, 4, 2)
"""Photo px per px of a coarser decoding."""

MAX_FILE_BYTES = 1 << 30
"""A photo file over 1 GiB is a mistake (a video, an archive); it isn't read into memory."""

_PILLOW_FORMATS = ["PNG", "TIFF", "GIF", "WEBP", "JPEG", "MPO"]
_READABLE = "JPEG, PNG, TIFF or HEIC"


class PhotoError(Exception):
    """The file can't be used as a photo; `str(error)` is one sentence a scout can act on."""


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
    view : str
        ``above`` for a photo taken from the air, else ``side``; see `collarvision.viewpoint`.
    flight : FlightNotes
        Height, tilt and heading, as far as the file tells them.
    step : int
        Photo px per px of `decoded`, in both directions; 1 where that is the whole picture.
    decode : callable, optional
        Gives the picture at a smaller step. Needed where `step` isn't 1.
    """

    name: str
    decoded: np.ndarray
    sha256: str
    taken_at: datetime | None = None
    gps: tuple[float, float] | None = None
    focal_eq_mm: float | None = None
    view: View = "side"
    flight: FlightNotes = field(default_factory=FlightNotes)
    step: int = 1
    decode: Callable[[int], np.ndarray] | None = field(default=None, repr=False)
    _finer: dict[int, np.ndarray] = field(default_factory=dict, init=False, repr=False)

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
        while step > 1 and step > coarsest:
            step //= 2
        if step == self.step or self.decode is None:
            return self.decoded, self.step
        if step not in self._finer:
            self._finer[step] = self.decode(step)
        return self._finer[step], step


def load_photo(
    source: str | Path | bytes, name: str | None = None, *, max_megapixels: float = 120.0
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
        data, name = _read_file(Path(source)), name or Path(source).name
    if not data:
        raise PhotoError("The file is empty (0 bytes): copy it from the camera again.")
    kind = _kind(data)
    step, decode = 1, None
    if kind == "jpeg":
        rgb, notes, step, decode = _load_jpeg(data, max_megapixels)
    elif kind == "heic":
        rgb, notes = _load_heic(data, max_megapixels)
    elif kind == "pillow":
        rgb, notes = _load_with_pillow(data, max_megapixels)
    else:
        raise PhotoError(f"This is {kind}, not a photo: give a {_READABLE} file.")
    flight = _flight(data, notes)
    return Photo(
        name=name,
        decoded=np.ascontiguousarray(rgb),
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=notes.taken_at,
        gps=notes.gps,
        focal_eq_mm=notes.focal_eq_mm,
        # The picture itself is looked at only where the file says nothing of a flight.
        view="above" if noted_view(flight) == "above" or shows_field(rgb) else "side",
        flight=flight,
        step=step,
        decode=decode,
    )


def _flight(data: bytes, notes: Notes) -> FlightNotes:
    """Flight notes of the XMP packet, with what EXIF knows besides."""
    flight = flight_notes(data)
    heading = flight.heading_deg if flight.heading_deg is not None else notes.heading_deg
    return replace(
        flight,
        # A picture that was turned upright has its upper edge elsewhere.
        heading_deg=heading if notes.orientation == 1 else None,
        sea_height_m=notes.sea_height_m if flight.sea_height_m is None else flight.sea_height_m,
    )


# --------------------------------------------------------------------------- the file


def _read_file(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise PhotoError(f"{path} is a folder: give a photo, or use a command for folders.")
        if not stat.S_ISREG(status.st_mode):
            raise PhotoError(f"{path} is not an ordinary file: save the photo to disk first.")
        if status.st_size > MAX_FILE_BYTES:
            raise PhotoError(
                f"{path} is {status.st_size / 1e9:.1f} GB, too large for a photo: "
                "check that it is not a video or an archive."
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}: check the name and the folder.") from None
    except PermissionError:
        raise PhotoError(
            f"{path} may not be read by this user: change its permissions or copy it elsewhere."
        ) from None
    except (OSError, ValueError) as error:
        # ValueError: a NUL in the name. OSError: a card pulled out, a network share gone.
        reason = getattr(error, "strerror", None) or error
        raise PhotoError(f"{path} can't be read ({reason}): copy it again.") from None


def _kind(data: bytes) -> str:
    """'jpeg', 'heic', 'pillow', or in words what else it is. The name's ending isn't trusted."""
    if data.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if data.startswith((b"\x89PNG\r\n\x1a\n", b"GIF87a", b"GIF89a")):
        return "pillow"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "pillow"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "a camera's raw file" if data[8:10] == b"CR" else "pillow"
    if data[4:8] == b"ftyp":
        brands = data[8 : min(int.from_bytes(data[:4], "big"), 64)]
        if b"avif" in brands or b"avis" in brands:
            return "an AVIF picture"
        if any(b in brands for b in (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1")):
            return "heic"
        return "a video"
    if data.startswith(b"%PDF"):
        return "a PDF"
    if data.startswith(b"PK\x03\x04"):
        return "a ZIP archive or office document"
    if not data.strip(b"\x00"):
        return "a file of zeros (a failed copy)"
    head = data[:512]
    if b"\x00" not in head:
        try:
            # A cut at 512 bytes may split a character: forgive the last three bytes.
            head.decode("utf-8", "strict" if len(data) <= 512 else "ignore")
        except UnicodeDecodeError:
            return "an unknown kind of file"
        if sum(byte < 32 and byte not in b"\t\n\r\x0c\x1b" for byte in head) == 0:
            return "text"
    return "an unknown kind of file"


def _check_size(width: int, height: int, max_megapixels: float) -> None:
    megapixels = width * height / 1e6
    if megapixels > max_megapixels:
        raise PhotoError(
            f"The photo has {megapixels:.3g} megapixels, more than the {max_megapixels:g} allowed: "
            "shrink it, or raise the limit if you trust the file."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"The picture is only {width} x {height} pixels: give the original photo, "
            "not a thumbnail or an icon."
        )


def _damaged(kind: str) -> PhotoError:
    return PhotoError(f"The {kind} file is damaged: copy it from the camera again.")


# --------------------------------------------------------------------------- JPEG


def _load_jpeg(
    data: bytes, max_megapixels: float
) -> tuple[np.ndarray, Notes, int, Callable[[int], np.ndarray] | None]:
    """Pixels, notes, the step that the pixels were decoded at, and how to get them finer."""
    layout = jpeg_layout(data)
    if layout.width == 0 or layout.height == 0:
        raise _cut_short() if layout.end is None else _damaged("JPEG")
    _check_size(layout.width, layout.height, max_megapixels)
    if layout.end is None:
        # Some cameras forget the end marker; that alone is no harm.
        if not (layout.sequential and every_row_coded(data, len(data))):
            raise _cut_short()
        data += b"\xff\xd9"
    if layout.components == 4:
        return *_load_with_pillow(data, max_megapixels), 1, None
    step = _coarse_step(layout.width, layout.height)
    pixels = _decoded(data, layout, step)
    # Some tools close a broken file with an EOI marker. The decoder then paints what is missing
    # in one flat grey, which no sensor does: only then is a second look worth its time.
    corner = 8 // step
    flat = layout.sequential and np.ptp(pixels[-corner:, -corner:]) == 0
    if flat and layout.end is not None and not every_row_coded(data, layout.end):
        raise _cut_short()
    notes = read_notes(layout.exif, layout.width, layout.height)

    def finished(pixels: np.ndarray) -> np.ndarray:
        return upright(in_srgb(pixels, layout.profile), notes.orientation)

    def finer(step: int) -> np.ndarray:
        return finished(_decoded(data, layout, step))

    return finished(pixels), notes, step, finer


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
    except cv2.error:
        raise _damaged("JPEG") from None
    if pixels is None or pixels.shape[:2] != (layout.height // step, layout.width // step):
        raise _damaged("JPEG")
    return pixels if in_rgb else cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)


def _cut_short() -> PhotoError:
    return PhotoError(
        "The JPEG is cut short (the copy did not finish): copy it from the camera again."
    )


# --------------------------------------------------------------------------- other formats


def _load_heic(data: bytes, max_megapixels: float) -> tuple[np.ndarray, Notes]:
    import pillow_heif

    with _decoder_errors("HEIC"):
        heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width, height = heif.size
    _check_size(width, height, max_megapixels)
    with _decoder_errors("HEIC"):
        pixels = _rgb_from_pillow(heif.to_pillow())
    exif = heif.info.get("exif") or b""
    notes = read_notes(exif, width, height)
    # The container's own rotation (ISO/IEC 23008-12 'irot') is already applied; EXIF repeats it.
    return in_srgb(pixels, heif.info.get("icc_profile") or b""), notes


def _load_with_pillow(data: bytes, max_megapixels: float) -> tuple[np.ndarray, Notes]:
    from PIL import Image

    with warnings.catch_warnings():
        # Pillow's own pixel bound warns below ours; ours is checked next.
        warnings.simplefilter("ignore")
        try:
            image = Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS)
        except Image.DecompressionBombError:
            raise PhotoError(
                "The photo has more than 178 megapixels: shrink it before giving it."
            ) from None
        except Exception:
            raise _damaged("picture") from None
        with image:
            kind = image.format or "picture"
            width, height = image.size
            _check_size(width, height, max_megapixels)
            if kind == "TIFF" and _is_raw(image):
                raise PhotoError(
                    f"This is a camera's raw file, not a photo: export it as {_READABLE}."
                )
            with _decoder_errors(kind):
                image.load()
                # After load(): Pillow itself turns a TIFF upright and then drops its tag.
                exif = image.getexif()
                profile = image.info.get("icc_profile") or b""
                pixels = _rgb_from_pillow(image)
            notes = read_notes(exif, width, height)
    if image.mode != "CMYK":
        pixels = in_srgb(pixels, profile)
    return upright(pixels, notes.orientation), notes


class _decoder_errors:
    """Turn whatever a decoder raises on a broken file into one sentence.

    Decoders meet damaged input with nearly any exception type (struct.error, zlib.error,
    SyntaxError, EOFError, MemoryError ...); all of them mean the same to the user.
    """

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type | None, error: BaseException | None, trace: object) -> None:
        if isinstance(error, Exception) and not isinstance(error, PhotoError):
            raise _damaged(self.kind) from error


def _is_raw(image: Any) -> bool:
    """DNG says so (tag 50706); other raw files put a reduced image (NewSubfileType 1) first."""
    tags = image.tag_v2
    return 50706 in tags or (tags.get(254) == 1 and 330 in tags)


def _rgb_from_pillow(image: Any) -> np.ndarray:
    """(H, W, 3) uint8 from any Pillow mode; transparent parts turn white."""
    from PIL import Image

    mode = image.mode
    if mode.startswith("I") or mode == "F":
        # Pillow's own convert() clips 16 bits at 255 instead of scaling them.
        values = np.asarray(image, dtype=np.float32)
        top = float(np.nanmax(values)) if values.size else 0.0
        if mode == "F":
            full = 1.0 if top <= 1.0 else 255.0 if top <= 255.0 else max(65535.0, top)
        else:
            full = max(65535.0, top)
        grey = np.clip(np.nan_to_num(values) * (255.0 / full) + 0.5, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    if mode == "CMYK":
        return np.array(_cmyk_to_rgb(image))
    if mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info:
        image = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", image.size, "white"), image)
    return np.array(image.convert("RGB"))


def _cmyk_to_rgb(image: Any) -> Any:
    from PIL import ImageCms

    profile = image.info.get("icc_profile")
    if profile:
        try:
            return ImageCms.profileToProfile(
                image,
                ImageCms.ImageCmsProfile(io.BytesIO(profile)),
                ImageCms.createProfile("sRGB"),
                outputMode="RGB",
            )
        except (ImageCms.PyCMSError, OSError):
            pass  # a broken profile costs some colour, not the photo
    return image.convert("RGB")
