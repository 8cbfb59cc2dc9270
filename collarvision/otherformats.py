"""Other formats: HEIC, PNG, TIFF, GIF, WebP and CMYK JPEG to upright sRGB pixels, by Pillow."""

from __future__ import annotations

import io
import warnings
from typing import Any

import numpy as np

from collarvision.exif import Notes, read_notes
from collarvision.photofile import READABLE, PhotoError, check_size, damaged
from collarvision.upright import in_srgb, upright

_PILLOW_FORMATS = ["PNG", "TIFF", "GIF", "WEBP", "JPEG", "MPO"]


def load_heic(data: bytes, max_megapixels: float) -> tuple[np.ndarray, Notes]:
    """Pixels (H, W, 3) uint8 of an HEIC file, and what its EXIF notes.

    Raises
    ------
    PhotoError
        Damaged, or refused for its size.
    """
    import pillow_heif

    with _decoder_errors("HEIC"):
        heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width, height = heif.size
    check_size(width, height, max_megapixels)
    with _decoder_errors("HEIC"):
        pixels = _rgb_from_pillow(heif.to_pillow())
    exif = heif.info.get("exif") or b""
    notes = read_notes(exif, width, height)
    # The container's own rotation (ISO/IEC 23008-12 'irot') is already applied; EXIF repeats it.
    return in_srgb(pixels, heif.info.get("icc_profile") or b""), notes


def load_with_pillow(data: bytes, max_megapixels: float) -> tuple[np.ndarray, Notes]:
    """Pixels (H, W, 3) uint8 of whatever else Pillow reads, and what its EXIF notes.

    Raises
    ------
    PhotoError
        Damaged, a camera's raw file, or refused for its size.
    """
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
            raise damaged("picture") from None
        with image:
            kind = image.format or "picture"
            width, height = image.size
            check_size(width, height, max_megapixels)
            if kind == "TIFF" and _is_raw(image):
                raise PhotoError(
                    f"This is a camera's raw file, not a photo: export it as {READABLE}."
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
    SyntaxError, EOFError ...); all of them mean the same to the user. Too little memory is no fault
    of the file: it may be read another time.
    """

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type | None, error: BaseException | None, trace: object) -> None:
        if isinstance(error, Exception) and not isinstance(error, (PhotoError, MemoryError)):
            raise damaged(self.kind) from error


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
