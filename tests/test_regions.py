"""What is cleaned off a mask of cloth, and what a print of the ground's colour cuts into its outline."""

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.regions import CleanMask, Sizes, clean_mask

SIZES = Sizes(piece_area=400.0, piece_width=12.0, hole_area=100.0, hole_width=8.0, notch_width=30.0, shadow_width=20.0)
Mask = NDArray[np.bool_]


def discs(*centres: tuple[int, int], radius: int = 12) -> Mask:
    drawn = np.zeros((300, 400), np.uint8)
    for centre in centres:
        cv2.circle(drawn, centre, radius, 1, -1)
    return drawn > 0


def square() -> Mask:
    drawn = np.zeros((300, 400), np.uint8)
    cv2.rectangle(drawn, (100, 50), (300, 250), 1, -1)
    return drawn > 0


def cleaned(cloth: Mask, like_ground: Mask, kept_open: Mask | None = None) -> CleanMask:
    nowhere = np.zeros_like(cloth)
    return clean_mask(cloth.astype(np.float32), cloth, SIZES, nowhere if kept_open is None else kept_open, like_ground)


DOTS = ((150, 100), (250, 100), (200, 150), (150, 200), (250, 200))


def test_a_print_s_notches_are_filled_and_doubted() -> None:
    bites = discs((200, 50), (300, 150))
    clean = cleaned(square() & ~bites, discs(*DOTS) | bites)
    assert (clean.cloth ^ square()).sum() < 0.2 * (bites & square()).sum()
    assert clean.nibbled[150, 200]


def test_notches_of_cloth_without_such_a_print_stay() -> None:
    cut = square() & ~discs((200, 50), (300, 150))
    for like_ground in (np.zeros_like(cut), discs(*DOTS[:2])):
        clean = cleaned(cut, like_ground)
        assert (clean.cloth == cut).all()
        assert not clean.nibbled.any()


def test_a_neckline_wider_than_the_print_stays() -> None:
    cut = square() & ~discs((200, 50), radius=45)
    clean = cleaned(cut, discs(*DOTS[2:], (120, 130), (280, 130)))
    assert (clean.cloth ^ cut).sum() < 0.01 * cut.sum()


def test_what_is_kept_open_is_no_notch() -> None:
    bite = discs((200, 50))
    cut = square() & ~bite
    clean = cleaned(cut, discs(*DOTS) | bite, kept_open=bite)
    assert (clean.cloth == cut).all()
