"""Pictures as JPEG or PNG files."""

import cv2
import numpy as np
from numpy.typing import NDArray

BEST_QUALITY = 95


def encoded(picture: NDArray[np.uint8], ending: str, quality: int = BEST_QUALITY) -> bytes:
    """A picture as the content of a file.

    Parameters
    ----------
    picture : (H, W, 3) or (H, W) array
        RGB, or grey.
    ending : str
        ``.jpg``, ``.jpeg`` or ``.png``.
    quality : int
        Of JPEG, up to 100.
    """
    codes = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR) if picture.ndim == 3 else picture
    settings = [] if ending == ".png" else [cv2.IMWRITE_JPEG_QUALITY, quality]
    return bytes(cv2.imencode(ending, codes, settings)[1].tobytes())
