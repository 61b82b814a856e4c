"""Distances within pictures of yes and no."""

import cv2
import numpy as np
from numpy.typing import NDArray


def distance_px(blocked: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Distance (px) of blocked places to the nearest free one, to the last bit the same every time.

    The last bit of OpenCV's distances depends on where in memory the picture lies (seen with 5.0): their squares are
    whole numbers, which tells the right one.
    """
    about = cv2.distanceTransform(blocked.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.sqrt(np.rint(np.square(about, dtype=np.float64))).astype(np.float32)
