"""Plant names: photos of one and the same folder `plant 2` are one plant, and no others.

Two scouts number their plants alike, and so does a scout in two years. A plant keeps the number of
its folder as long as no other plant at its stop has it, and else has a sign of the folder beside
it. A name that photos of the folder have already stays theirs.
"""

from __future__ import annotations

import hashlib
import os

from collarvision.batch.folders import names_a_plant, place_from_folders
from collarvision.batch.remote import is_address, parent
from collarvision.survey import Place, SurveyReader
from collarvision.survey.plantfolders import plant_names, plant_names_of_folder


def plant_name(store: SurveyReader, where: str, place: Place) -> str | None:
    """Name the plant of a photo at `place`, whose `plant` is what the folders say.

    Parameters
    ----------
    store : SurveyReader
    where : str
        Path or address of the photo.
    place : Place
    """
    folder = plant_folder(where)
    if place.plant is None or place.field is None or folder is None:
        return place.plant
    own = f"{place.plant} ({_sign(folder)})"
    there = plant_names_of_folder(store, place, folder)
    if own in there:
        return own
    # A photo of the folder may have been said to be of another plant: that is no name of this one.
    known = [name for name in there if name.partition(" (")[0] == place.plant]
    if known:
        return min(known)
    return place.plant if place.plant not in plant_names(store, place) else own


def has_left_its_plant(store: SurveyReader, sha256: str) -> bool:
    """Whether a photo has its plant's name from a folder that it was moved out of since."""
    row = store.plant(sha256)
    if row is None or row.plant is None:
        return False
    number = row.plant.partition(" (")[0].rpartition(", ")[2]
    lay = [way for way in store.files_of(sha256) if not is_address(way) and _number(way) == number]
    return bool(lay) and not any(map(os.path.exists, lay))


def _number(where: str) -> str | None:
    folder = plant_folder(where)
    return None if folder is None else place_from_folders([os.path.basename(folder[:-1])]).plant


def plant_folder(where: str) -> str | None:
    """The folder of one plant that a photo lies in, as surveys note paths; ends with "/" or so."""
    there = is_address(where)
    folder = parent(where) if there else os.path.dirname(os.path.abspath(where))
    while not names_a_plant(folder.rsplit("/", 1)[-1] if there else os.path.basename(folder)):
        above = folder.rsplit("/", 1)[0] if there else os.path.dirname(folder)
        if above == folder or (there and above.endswith(":/")):
            return None
        folder = above
    return folder + ("/" if there else os.sep)


def _sign(folder: str) -> str:
    """A few letters that tell a folder from others, however the way to it is written."""
    real = folder if is_address(folder) else os.path.realpath(folder)
    return hashlib.sha256(os.fsencode(real)).hexdigest()[:6]
