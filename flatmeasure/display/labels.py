"""Labels beside lines in a picture, where they hide as little as possible and never each other if there is room."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Pixels

Colour = tuple[int, int, int]

LABEL_COST = 40.0  # of covering another label, against 1 for covering cloth
RANK_COST = 1.0  # of taking a label's last place instead of its first
LEADER_COST = 0.02  # of each pixel a label moves away from what it names
PLATE: Colour = (24, 24, 28)
TEXT: Colour = (255, 255, 255)

_FONT = cv2.FontFace("sans")  # OpenCV's built-in font draws the signs ± ² ° × too, unlike Pillow's
_NO_WRAP = (100_000, 1_000)
_PADDING_PX = 7


@dataclass(frozen=True, eq=False)
class Label:
    """A text that wants to stand beside something.

    Attributes
    ----------
    lines : tuple of str
    size_px : int
        Height of the letters.
    anchors_px : (K, 2) array
        Places the label may belong to, best first.
    directions : (K, 2) array
        The side on which to stand, unit vectors; zero to be centred on the anchor.
    """

    lines: tuple[str, ...]
    size_px: int
    anchors_px: Points
    directions: Points


@dataclass(frozen=True, eq=False)
class PlacedLabel:
    """A label and the box (left, top, width, height) it got."""

    label: Label
    box_px: tuple[int, int, int, int]
    anchor_px: Points


def place_labels(labels: Sequence[Label], cost: NDArray[np.float32]) -> list[PlacedLabel]:
    """Find each label the place that hides least, in the given order.

    Parameters
    ----------
    labels : sequence of Label
    cost : (H, W) float32 array
        What it costs to cover each pixel. Changed: placed labels become dear.
    """
    placed = []
    for label in labels:
        width, height = _box_size(label)
        best = min(_candidates(label, width, height, cost), key=lambda found: found[0])
        _, (left, top), anchor = best
        _window(cost, left, top, width, height)[:] += LABEL_COST
        placed.append(PlacedLabel(label, (left, top, width, height), anchor))
    return placed


def _candidates(
    label: Label, width: int, height: int, cost: NDArray[np.float32]
) -> list[tuple[float, tuple[int, int], Points]]:
    """Cost, upper left corner and anchor of every place a label may take."""
    found = []
    for rank, (anchor, direction) in enumerate(zip(label.anchors_px, label.directions, strict=True)):
        reach = abs(direction[0]) * width / 2 + abs(direction[1]) * height / 2  # of the box along the direction
        rank_cost = RANK_COST * rank / len(label.anchors_px)
        for gap in (1.0, 2.5, 4.5, 7.0) if direction.any() else (0.0,):
            away = gap * label.size_px * 0.6
            centre = anchor + direction * (reach + away)
            left = int(np.clip(round(centre[0] - width / 2), 0, max(cost.shape[1] - width, 0)))
            top = int(np.clip(round(centre[1] - height / 2), 0, max(cost.shape[0] - height, 0)))
            hidden = float(_window(cost, left, top, width, height).mean())
            pushed = float(np.hypot(left + width / 2 - centre[0], top + height / 2 - centre[1]))
            found.append((hidden + LEADER_COST * (away + pushed) + rank_cost, (left, top), anchor))
    return found


def _window(cost: NDArray[np.float32], left: int, top: int, width: int, height: int) -> NDArray[np.float32]:
    return cost[top : top + height, left : left + width]


def _box_size(label: Label) -> tuple[int, int]:
    widths = [text_width(line, label.size_px) for line in label.lines]
    return max(widths) + 2 * _PADDING_PX, len(label.lines) * _line_height(label.size_px) + _PADDING_PX


def _line_height(size_px: int) -> int:
    return round(1.15 * size_px)


def text_width(text: str, size_px: int) -> int:
    """Width of a line of text in pixels."""
    return int(cv2.getTextSize(_NO_WRAP, text, (0, 500), _FONT, size_px, 600)[2])


def draw_text(picture: Pixels, text: str, left_px: int, baseline_px: int, size_px: int, colour: Colour = TEXT) -> None:
    """Write a line of text into an RGB picture."""
    cv2.putText(picture, text, (left_px, baseline_px), colour, _FONT, size_px, 600)


def draw_labels(picture: Pixels, placed: Sequence[PlacedLabel]) -> None:
    """Draw leaders, plates and texts into an RGB picture; all plates lie above all leaders."""
    for found in placed:
        left, top, width, height = found.box_px
        nearest = np.clip(found.anchor_px, (left, top), (left + width, top + height))
        if np.linalg.norm(nearest - found.anchor_px) > found.label.size_px:
            ends = [tuple(int(c) for c in np.rint(end)) for end in (nearest, found.anchor_px)]
            cv2.line(picture, ends[0], ends[1], PLATE, 5, cv2.LINE_AA)
            cv2.line(picture, ends[0], ends[1], TEXT, 2, cv2.LINE_AA)
    for found in placed:
        _draw_plate(picture, found)


def _draw_plate(picture: Pixels, found: PlacedLabel) -> None:
    left, top, width, height = found.box_px
    plate = picture[top : top + height, left : left + width]
    plate[:] = (0.2 * plate + 0.8 * np.array(PLATE)).astype(np.uint8)
    size = found.label.size_px
    for row, line in enumerate(found.label.lines):
        indent = (width - text_width(line, size)) // 2
        draw_text(picture, line, left + indent, top + row * _line_height(size) + size, size)
