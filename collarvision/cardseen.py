"""Cardseen: the scale card, searched for the hard ways only where the network shows one."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from collarvision.card import Scale, find_card
from collarvision.cardmarks import EASY, HARD
from collarvision.looks import Look, card_boxes

if TYPE_CHECKING:
    from collarvision.photo import Photo


def seek_card(
    photo: Photo,
    first: Callable[[], Look],
    second: Callable[[], Look],
    *,
    check_bar_mm: float = 100.0,
) -> Scale | None:
    """Find the card in a photo.

    A card hard to find is at first only searched for where the look at the whole photo shows one,
    and at last where the finer second one does, to which a card of 60 px is still plain.

    Parameters
    ----------
    photo : Photo
    first, second : callable
        Give the look at the whole photo and the one at the plant, once they are needed.
    check_bar_mm : float
        As of `collarvision.card.find_card`, and so are the errors.
    """
    scale = find_card(photo, check_bar_mm=check_bar_mm, searches=EASY)
    if scale is None and (where := card_boxes(first())):
        scale = find_card(photo, check_bar_mm=check_bar_mm, searches=HARD, where=where)
    if scale is None and (where := card_boxes(second())):
        scale = find_card(photo, check_bar_mm=check_bar_mm, searches=(), where=where, closely=True)
    return scale
