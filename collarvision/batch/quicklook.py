"""Quick look: a file that hasn't changed since its content was hashed isn't read again for that."""

from __future__ import annotations

from collarvision.batch.remote import is_address
from collarvision.survey import FileFacts, SurveyReader

QUICK_LOOK_NS = 3_000_000_000
"""A file is known by its size and time of change only if that time was this long past when its
content was hashed: file systems tell time in steps of up to two seconds (FAT)."""


def known_hash(store: SurveyReader, now: FileFacts) -> str | None:
    """Give a file's SHA-256 as it was hashed last, if it hasn't changed; None if that isn't sure.

    Parameters
    ----------
    store : SurveyReader
    now : FileFacts
        The file as it is; times in nanoseconds.
    """
    found = store.file_at(now.path)
    if found is None:
        return None
    then, sha256 = found
    same = (then.size, then.mtime_ns) == (now.size, now.mtime_ns)
    # A store names each version of an object; only a disk's clock can be too coarse.
    settled = is_address(now.path) or then.mtime_ns + QUICK_LOOK_NS < then.seen_ns
    return sha256 if same and settled else None
