"""Asking: what the pages work with, and what they share in reading a request."""

from __future__ import annotations

import hashlib
import pathlib
from dataclasses import dataclass
from typing import Annotated

from fastapi import HTTPException, Path, Query, Request
from pydantic import BeforeValidator

from collarvision.handcount.entry import Gate
from collarvision.handcount.looks import Looks
from collarvision.handcount.pictures import Pictures
from collarvision.handcount.queue import QueueKeeper
from collarvision.handcount.taking import PhotoTaker
from collarvision.survey import PlantRow, SurveyReader

Hash = Annotated[str, Path(pattern="^[0-9a-f]{64}$")]
OtherHash = Annotated[str | None, Query(pattern="^[0-9a-f]{64}$")]
# A menu sends an empty word for "all fields".
FieldId = Annotated[int | None, Query(), BeforeValidator(lambda said: said or None)]


@dataclass(frozen=True)
class Site:
    """What the pages work with.

    Attributes
    ----------
    survey : Path
    gate : Gate
    queue : QueueKeeper
    pictures : Pictures
    taker : PhotoTaker
    looks : Looks
    addresses : tuple of str
        Where other machines find the site; empty when only this one does.
    """

    survey: pathlib.Path
    gate: Gate
    queue: QueueKeeper
    pictures: Pictures
    taker: PhotoTaker
    looks: Looks
    addresses: tuple[str, ...] = ()

    @property
    def survey_id(self) -> str:
        """What a browser tells this survey by from others that were served at the same address."""
        return hashlib.sha256(str(self.survey.resolve()).encode()).hexdigest()[:16]


def site_of(request: Request) -> Site:
    """What the pages work with."""
    site: Site = request.app.state.site
    return site


def plant_of(survey: SurveyReader, sha256: str) -> PlantRow:
    """The plant of a photo, or the answer that there is none."""
    plant = survey.plant(sha256)
    if plant is None:
        raise HTTPException(404, "The survey holds no such photo.")
    return plant


def field_of(survey: SurveyReader, field_id: int | None) -> str | None:
    """A field's name by its id; None for none asked, and the answer that there is none."""
    if field_id is None:
        return None
    for field in survey.fields():
        if field.id == field_id:
            return field.name
    raise HTTPException(404, "The survey holds no such field.")
