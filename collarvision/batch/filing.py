"""Filing: which field, visit and stop a photo belongs to.

What tells them, the first that does:

1. the card's QR code (field and stop), where the batch was asked to look for it;
2. the names of the folders between SOURCE and the photo, by `collarvision.batch.folders`;
3. the photo's GPS inside a field's boundary (field only);
4. the field named on the command line;
5. the name of SOURCE itself, read like a folder's, unless cameras and computers give that name.

Field and stop each come from the first of these that knows it. The visit's date comes from the
folders, SOURCE included, else from the day the photo was taken, unless the camera's clock was so
wrong that nobody can have taken it then.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from collarvision.batch.folders import NOTHING, Folders, tidy
from collarvision.exif import likely_day
from collarvision.outlines import Outline, field_at
from collarvision.survey.values import FiledBy, Place


@dataclass(frozen=True)
class Filing:
    """The batch's own part of the rule: boundaries by `--fields`, the name by `--field`."""

    boundaries: tuple[Outline, ...] = ()
    field: str | None = None

    def place(
        self,
        folders: Folders,
        *,
        source: Folders = NOTHING,
        gps: tuple[float, float] | None = None,
        taken_at: str | None = None,
        code_field: str | None = None,
        code_stop: str | None = None,
    ) -> Place:
        """Decide a photo's place.

        Parameters
        ----------
        folders : Folders
        source : Folders
            What the name of SOURCE says.
        gps : (latitude, longitude), optional
            Degrees WGS 84.
        taken_at : str, optional
            ISO 8601, from the photo.
        code_field, code_stop : str, optional
            From the card's QR code.
        """
        inside = None if gps is None else field_at(self.boundaries, *gps)
        candidates: tuple[tuple[FiledBy, str | None], ...] = (
            ("code", None if code_field is None else tidy(code_field)),
            ("folder", folders.field),
            ("gps", inside),
            ("option", self.field),
            ("source", source.field),
        )
        by, field = next(((by, name) for by, name in candidates if name), (None, None))
        code = None if code_stop is None else tidy(code_stop)
        return Place(
            field=field,
            date=folders.date or source.date or _day(taken_at),
            stop=code or folders.stop or source.stop,
            filed_by=by,
            plant=folders.plant,
        )


def _day(taken_at: str | None) -> str | None:
    """The day of a photo's own time. Surveys and other files hold times that nobody checked."""
    try:
        day = date.fromisoformat((taken_at or "")[:10])
    except ValueError:
        return None
    return day.isoformat() if likely_day(day) else None
