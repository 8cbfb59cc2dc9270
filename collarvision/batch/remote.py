"""Remote: files by address, ``s3://bucket/season/a.jpg``, through fsspec and its back ends.

Paths of this computer pass through here too, so that whoever reads a photo needs one call. fsspec
is loaded only once an address turns up.
"""

from __future__ import annotations

import glob
import hashlib
import os
import re
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.request import url2pathname

from collarvision.gathering import fixed_parts, is_passed_over, is_photo_name, natural_key
from collarvision.photofile import READABLE
from collarvision.survey import FileFacts

# One letter before the colon is a drive (RFC 3986 allows it as a scheme, nobody uses one).
_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)
TRIES = 3
"""How often a read is tried before a fault of the network is taken for the file's."""

PAUSE_SECONDS = 0.5
_T = TypeVar("_T")


class RemoteError(Exception):
    """Addresses of this kind can't be opened; the message is one sentence that says what to do."""


def is_address(word: str) -> bool:
    """Whether this is an address, and not a path."""
    return _ADDRESS.match(word) is not None


def local_path(word: str) -> str:
    """Turn ``file://`` into the path it means, so that a file has one name; others stay."""
    if word[:7].lower() != "file://":
        return word
    return url2pathname(word[7:].removeprefix("localhost"))


def base_name(where: str) -> str:
    """Last part of a path or an address."""
    return where.rsplit("/", 1)[-1] if is_address(where) else os.path.basename(where)


def parent(where: str) -> str:
    """Folder of a path or an address."""
    return where.rsplit("/", 1)[0] if is_address(where) else str(Path(where).parent)


def folders_between(root: str, address: str) -> tuple[str, ...]:
    """Names of the folders from one address down to another; none when it lies elsewhere."""
    start = root.rstrip("/") + "/"
    if not address.startswith(start):
        return ()
    return tuple(part for part in address[len(start) :].split("/")[:-1] if part)


def photos_behind(address: str) -> tuple[str, list[str], str | None]:
    """List the photos of a folder, a pattern or a file.

    Returns
    -------
    root : str
        Address that the search began at.
    photos : list of str
        Addresses, in natural order.
    trouble : str or None
        A sentence when there are none.

    Raises
    ------
    RemoteError
    """
    system, path = _open_system(address)
    scheme, inside = address.split("://", 1)
    try:
        if glob.has_magic(inside):
            root = f"{scheme}://{'/'.join(fixed_parts(inside.split('/')))}"
            found = [name for name in system.glob(path) if system.isfile(name)]
            nothing = f"No file matches {address}: check the spelling and the folder."
        elif system.isfile(path):
            return parent(address), [address], None
        elif not system.exists(path):
            return address, [], f"There is nothing at {address}: check the spelling."
        else:
            root = address.rstrip("/")
            found = [
                name for name in system.find(path) if is_photo_name(str(name).rpartition("/")[2])
            ]
            nothing = f"{address} holds no photo ({READABLE}): check the address."
    except Exception as error:  # each back end has its own kinds
        trouble = f"{address} can't be listed ({_words(error)}): check it and your rights."
        return address, [], trouble
    # Below the user's own words, since back ends forget the host of an address, or its slashes.
    start = len(str(system._strip_protocol(root)).rstrip("/"))
    inner = [str(name)[start:].strip("/") for name in found]
    shown = [name for name in inner if not is_passed_over(name.split("/"))]
    photos = [f"{root}/{name}" for name in sorted(shown, key=natural_key)]
    return root, photos, None if photos else nothing


def look_at(where: str) -> FileFacts | None:
    """Size and age of a file; None for anything else, also for what can't be asked just now."""
    if is_address(where):
        try:
            system, path = _open_system(where)
            said = _patiently(lambda: system.info(path))
            if said["type"] != "file":
                return None
            # Stores name a version by tag, date or generation; fsspec hashes whatever there is.
            version = int(str(system.ukey(path))[:15], 16)
            return FileFacts(where, int(said["size"] or 0), version, time.time_ns())
        except Exception:
            return None
    try:
        status = os.stat(where)
    except (OSError, ValueError):
        return None
    if not stat.S_ISREG(status.st_mode):
        return None
    return FileFacts(os.path.abspath(where), status.st_size, status.st_mtime_ns, time.time_ns())


def hash_of(where: str) -> str | None:
    """SHA-256 of a file's bytes; None if it can't be read, or lies far away.

    What lies far away is fetched once, by the worker that reads it.
    """
    if is_address(where):
        return None
    try:
        with open(where, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):
        return None


def hash_far_away(where: str) -> str | None:
    """SHA-256 of a file that lies far away; None if it can't be fetched, or lies here."""
    try:
        return hashlib.sha256(read_bytes(where)).hexdigest() if is_address(where) else None
    except (OSError, ValueError):
        return None


def read_bytes(where: str, most: int | None = None) -> bytes:
    """Content of a file.

    Raises
    ------
    OSError, ValueError
        It can't be read, or holds more than `most` bytes.
    """
    if not is_address(where):
        with open(where, "rb") as file:
            return _bounded(file, most)
    try:
        system, path = _open_system(where)

        def read() -> bytes:
            with system.open(path, "rb") as file:
                return _bounded(file, most)

        return _patiently(read)
    except (OSError, ValueError):
        raise
    except Exception as error:
        raise OSError(None, _words(error)) from error


def _bounded(file: Any, most: int | None) -> bytes:
    data: bytes = file.read() if most is None else file.read(most + 1)
    if most is not None and len(data) > most:
        raise ValueError(f"it holds more than {most >> 20} MB")
    return data


def _patiently(ask: Callable[[], _T]) -> _T:
    """Ask again after a fault; what isn't there, or isn't allowed, stays so."""
    for left in reversed(range(TRIES)):
        try:
            return ask()
        except (FileNotFoundError, IsADirectoryError, PermissionError, ValueError):
            raise
        except Exception:
            if not left:
                raise
            time.sleep(PAUSE_SECONDS * (TRIES - left))
    raise AssertionError


def _open_system(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise RemoteError(
            f"{address} is an address, and opening those needs further packages: "
            "pip install 'collarvision[cloud]'."
        ) from error
    try:
        system, path = url_to_fs(address)
    except ImportError as error:
        raise RemoteError(
            f"{address} can't be opened yet ({str(error).rstrip('.')}): "
            "pip install 'collarvision[cloud]', or the package it names."
        ) from error
    except Exception as error:
        raise RemoteError(
            f"{address} is no address that can be opened ({_words(error)}): check its spelling."
        ) from error
    return system, str(path)


def _words(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
