"""The learned part of finding cloth: a small network's probability that a pixel shows cloth.

The weights in ``cloth_net.onnx`` come from ``tests/training`` (its README tells data, seeds and limits). OpenCV
runs them.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

LONG_SIDE_PX = 512
STRIDE_PX = 32


@cache
def _network() -> cv2.dnn.Net:
    weights = resources.files("flatmeasure.cloth").joinpath("cloth_net.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))


def _network_size(width_px: int, height_px: int) -> tuple[int, int]:
    """Width and height the network works at: the long side 512, both multiples of its stride of 32."""
    scale = LONG_SIDE_PX / max(width_px, height_px)
    width, height = (max(STRIDE_PX, round(side * scale / STRIDE_PX) * STRIDE_PX) for side in (width_px, height_px))
    return width, height


def cloth_probability(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Probability that each pixel shows cloth.

    The network sees the picture with its long side at 512 px, so outlines are good to about one pixel of that size:
    a start for a finer method, not a measurement. Mats, floors, sheets underneath, references, rulers, paper and hands
    count as "not cloth"; so does the ground seen through a hole.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
        The upright picture, sRGB. More than about 1024 px on the long side gains nothing.

    Returns
    -------
    (H, W) float32
        0 to 1, at the size of the picture given.

    Raises
    ------
    ValueError
        If the picture is not an (H, W, 3) uint8 array.

    References
    ----------
    O. Ronneberger, P. Fischer, T. Brox, "U-Net: Convolutional Networks for Biomedical Image Segmentation", 2015.
    """
    if rgb.dtype != np.uint8 or rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.size == 0:
        raise ValueError(f"The picture must be an (H, W, 3) uint8 array, not {rgb.shape} {rgb.dtype}.")
    height_px, width_px = rgb.shape[:2]
    size = _network_size(width_px, height_px)
    shrinks = size[0] < width_px or size[1] < height_px
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR)
    network = _network()
    network.setInput(cv2.dnn.blobFromImage(small, 1 / 255))
    probability = network.forward()[0, 0]
    return np.asarray(cv2.resize(probability, (width_px, height_px), interpolation=cv2.INTER_LINEAR), np.float32)
