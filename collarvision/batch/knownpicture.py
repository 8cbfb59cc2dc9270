"""Known picture: whether a survey has a file's picture from another file, so that it counts once.

Time or place may be written into a file long after it was staged, and a phone may have sent it.
"""

from __future__ import annotations

from collarvision.batch.result import JoinedPicture
from collarvision.survey import FileFacts, SurveyReader, SurveyWriter
from collarvision.survey.asread import same_pixels
from collarvision.survey.plantfolders import place_of
from collarvision.survey.rows import folded
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
        The photo is new to the survey or was read at last, or was filed anew and may have left the
        other.
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


def join(store: SurveyWriter, known: str, new: str, *, refile: bool) -> JoinedPicture | None:
    """Make one plant of two photos that hold one picture; tell which of them left its visit.

    Parameters as of `SurveyWriter.say_one_picture`. None where neither was filed elsewhere.
    """
    both = (new, known)
    were = [place_of(store, one) for one in both]
    store.say_one_picture(known, new, refile=refile)
    for one, twin, was in zip(both, both[::-1], were, strict=True):
        now, photo, other = place_of(store, one), store.plant(one), store.plant(twin)
        if was is None or now is None or photo is None or other is None:
            continue
        other_field = folded(was.field or "") != folded(now.field or "")
        if other_field or was.date not in (None, now.date):
            return JoinedPicture(photo.photo, other.photo, was, now)
    return None
