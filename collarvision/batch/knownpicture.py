"""Known picture: whether a survey has a file's picture from another file, so that it counts once.

Time or place may be written into a file long after it was staged, and a phone may have sent it.
"""

from __future__ import annotations

from collarvision.survey import FileFacts, SurveyReader
from collarvision.survey.asread import same_pixels
from collarvision.together import same_picture


def known_as(
    store: SurveyReader, sha256: str, before: tuple[FileFacts, str] | None, *, filed: bool
) -> str | None:
    """Find the photo, by its SHA-256, whose picture this one holds too; None if there is none.

    Parameters
    ----------
    store : SurveyReader
    sha256 : str
    before : (FileFacts, str), optional
        What was at the file's path before, and its SHA-256.
    filed : bool
        The photo is new to the survey, or was filed anew and may have left the other.
    """
    changed = before is not None and before[1] != sha256
    now = store.plant(sha256) if changed or filed else None
    if now is None or now.view != "side":
        return None
    if before is not None and changed:
        earlier = store.plant(before[1])
        if earlier is not None and same_picture(earlier.record, now.record):
            return before[1]
    return same_pixels(store, now) if filed else None
