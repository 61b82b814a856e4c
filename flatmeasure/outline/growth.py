"""The camera's tone curve and sharpening taken off an outline.

Both move every border between dark and light, after the light was mixed by the blur: dark areas seem to have grown, or
shrunk. By how much the references show, where dark meets light both ways round. A tone curve of even curvature moves a
border in proportion to the step of linear light across it; so it is taken off the cloth's outline, which ever side of
it is darker.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from flatmeasure.outline.boundary import band, nearest
from flatmeasure.outline.refinement import Outline
from flatmeasure.photos.photo import Photo, linear_light, luminance

BESIDE_PX = np.array([3.0, 4.0, 5.0])  # from the edge: beyond the blur, before the next thing
NEIGHBOURS = 10.0  # points over which the step is averaged, standard deviation of a Gaussian window


def without_growth(outline: Outline, photo: Photo, growth_px: float, step: float) -> Outline:
    """The outline as it would be had dark areas not grown.

    Parameters
    ----------
    outline : Outline
    photo : Photo
    growth_px : float
        Apparent growth of dark areas at steps of the height ``step``; negative where they have shrunk.
    step : float
        Linear luminance.
    """
    shift_px = growth_px / step * _rise(outline, photo)
    return replace(outline, points_px=outline.points_px - shift_px[:, None] * outline.normals_px)


def _rise(outline: Outline, photo: Photo) -> NDArray[np.float64]:
    """(N,) linear luminance of the ground over that of the cloth beside each point."""
    x, y = band(outline.points_px, outline.normals_px, np.concatenate([-BESIDE_PX, BESIDE_PX]))
    light = luminance(linear_light(nearest(photo.rgb, x, y)))
    rise = light[:, len(BESIDE_PX) :].mean(axis=1) - light[:, : len(BESIDE_PX)].mean(axis=1)
    return np.asarray(gaussian_filter1d(rise.astype(np.float64), NEIGHBOURS, mode="wrap"))
