"""Result: what a batch did with its files."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

from collarvision.survey import Place

Step = Literal["staged", "hand-count", "rejected", "known", "copy", "unread"]
"""What became of a file. ``known``: the survey had it. ``copy``: the same content as another file
of this run. ``unread``: there was nothing to read."""

Tells = Literal["folder", "gps", "option", "code"]
"""What tells a photo's field or day: folders' names, SOURCE's among them, its GPS, --field, or the
code on its card."""


@dataclass(frozen=True)
class FiledOtherwise:
    """Photos that something files elsewhere now than they were filed: they stay, or are refiled.

    Attributes
    ----------
    photos : int
        By content.
    was, now : Place
        Field and day: where they were filed, and where they would be, or are.
    tells : Tells
        What says so now.
    at_stops : int
        Plants of that visit that were counted at its stops without a photo: they stay in it.
    """

    photos: int
    was: Place
    tells: Tells
    now: Place
    at_stops: int = 0


@dataclass(frozen=True)
class JoinedStop:
    """Photos filed at a stop that their folders or card spell otherwise: ``stop 07``, ``stop 7``.

    Attributes
    ----------
    at : Place
        Field, day and stop, as the survey spells it.
    called : str
        The stop, as folders or card spell it.
    photos : int
        By content.
    """

    at: Place
    called: str
    photos: int


@dataclass(frozen=True)
class JoinedPicture:
    """A photo that was filed with another one of the same picture, and not where it would be.

    Attributes
    ----------
    photo, twin : str
        Names of the photo and of the other one.
    was, now : Place
        Field and day: where it would be, or was until then, and where the other one is.
    """

    photo: str
    twin: str
    was: Place
    now: Place


@dataclass(frozen=True)
class BatchResult:
    """What a run did.

    Attributes
    ----------
    steps : Counter of Step
        Files by what became of them.
    unread : tuple of (path, sentence)
        Files without content, which the survey can't hold.
    quarantined : tuple of str
        Photos that ended the process that read them, twice.
    faults : int
        Photos that the program itself failed on.
    unfiled : int
        Photos of this run that belong to no field.
    undated : int
        Photos of this run whose visit nothing tells: no folder's name, and no note in the file or
        in another file of the same picture.
        What couldn't be opened isn't among them.
    rejected : tuple of (name, sentence)
        Photos that opened and show nothing to count, with their place and why; those from above and
        those that the program failed on aside.
    unopened : tuple of (path, sentence)
        Files that are no photo, or a broken one, and why. The survey has them as rejected, and
        their outcomes count them.
    replaced : tuple of (name, str, str)
        Files that held another photo of a plant before, and no other file does; with the SHA-256 of
        the photo before and now. The survey has both, each as a plant.
    same_pictures : int
        Files new to the survey, or read at last, whose picture it had from another file: one plant.
    tried_again : int
        Photos that the program had failed on in an earlier run, and that this one read again.
    read_otherwise : tuple of (int, str, str)
        Photos that stay as they were read, though this run asks for something else: how many, what
        they were read with, and what is asked for.
    read_since : int
        Photos that an earlier run of the same command with ``--restage`` had read again.
    filed_otherwise : tuple of FiledOtherwise
        Known photos that something files elsewhere now, by where they are and what says so.
    refiled : tuple of FiledOtherwise
        Photos that ``--restage`` filed elsewhere, where plants counted at stops stay behind.
    joined_stops : tuple of JoinedStop
        Stops that photos of this run were filed at under another spelling.
    joined_pictures : tuple of JoinedPicture
        Photos that are of another field or day than their own, with one of the same picture.
    unclear_days : tuple of str
        Dates in those photos' folders that could be read in two ways.
    above : int
        Photos from above, kept and never staged; their outcomes count them too.
    above_rejected : int
        Those among them that show nothing to count.
    stopped : bool
        The run was asked to stop before all was done.
    seconds : float
    """

    steps: Counter[Step]
    unread: tuple[tuple[str, str], ...]
    quarantined: tuple[str, ...]
    faults: int
    unfiled: int
    stopped: bool
    seconds: float
    above: int = 0
    above_rejected: int = 0
    undated: int = 0
    unclear_days: tuple[str, ...] = ()
    rejected: tuple[tuple[str, str], ...] = ()
    unopened: tuple[tuple[str, str], ...] = ()
    replaced: tuple[tuple[str, str, str], ...] = ()
    same_pictures: int = 0
    tried_again: int = 0
    read_otherwise: tuple[tuple[int, str, str], ...] = ()
    read_since: int = 0
    filed_otherwise: tuple[FiledOtherwise, ...] = ()
    refiled: tuple[FiledOtherwise, ...] = ()
    joined_stops: tuple[JoinedStop, ...] = ()
    joined_pictures: tuple[JoinedPicture, ...] = ()
