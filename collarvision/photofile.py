"""Photo file: a file's bytes, what kind of file they are, and what is refused at first sight.

Every refusal is one sentence that says what to do.
"""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

MIN_SIDE_PX = 64
"""A picture smaller than this is an icon, not a photo of a plant."""

MAX_FILE_BYTES = 1 << 30
"""A photo file over 1 GiB is a mistake (a video, an archive); it isn't read into memory."""

READABLE = "JPEG, PNG, TIFF, WebP or HEIC"
"""What a user is told to give instead."""


class PhotoError(Exception):
    """The file can't be used as a photo; `str(error)` is one sentence a scout can act on."""


def read_file(path: Path) -> bytes:
    """All bytes of an ordinary file.

    Raises
    ------
    PhotoError
        Missing, a folder, forbidden, unreadable, or larger than `MAX_FILE_BYTES`.
    """
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


PHOTO_KINDS = ("jpeg", "heic", "pillow")
"""What `kind_of` calls a photo's file."""


def kind_of(data: bytes) -> str:
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
            # A cut at 512 bytes may split a character.
            codecs.getincrementaldecoder("utf-8")().decode(head, final=len(data) <= len(head))
        except UnicodeDecodeError:
            return "an unknown kind of file"
        if sum(byte < 32 and byte not in b"\t\n\r\x0c\x1b" for byte in head) == 0:
            return "text"
    return "an unknown kind of file"


def check_size(width: int, height: int, max_megapixels: float) -> None:
    """Refuse a picture of too many pixels, or of too few, before any is decoded.

    Raises
    ------
    PhotoError
        Over `max_megapixels`, or a side under `MIN_SIDE_PX`.
    """
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


def damaged(kind: str) -> PhotoError:
    """What to say of a file of a known kind that its decoder gives up on."""
    return PhotoError(f"The {kind} file is damaged: copy it from the camera again.")
