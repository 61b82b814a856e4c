"""What a camera's tone curve and sharpening do to the outline, and how much the squares' apparent growth takes off.

The same scene is given the tone curves that cameras apply; the outline is followed from its true place, so that only
where the step is found counts. Shift: area between found and true outline over the length, pixels, outward positive.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from shapely.geometry import Polygon

from flatmeasure.outline.growth import without_growth
from flatmeasure.outline.refinement import refine_outline
from flatmeasure.photos.photo import Photo
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import Colour, LaidCloth, LaidReference, Mat, Scene, View, scene_camera, silhouette_px
from flatmeasure.view.rectification import rectify

SIZE_PX = (2000, 1500)
PANEL_MM = np.array([[-250.0, -200.0], [250.0, -180.0], [220.0, 210.0], [-240.0, 190.0]])
CODES = np.arange(256) / 255.0
CURVES = {  # display-encoded to display-encoded
    "none": CODES,
    "contrast up": CODES - 0.4 * np.sin(2 * np.pi * CODES) / (2 * np.pi),
    "contrast down": CODES + 0.3 * np.sin(2 * np.pi * CODES) / (2 * np.pi),
    "brighter": CODES**0.8,
    "darker": CODES**1.25,
    "shoulder": 1.5 * CODES / (1.0 + 0.5 * CODES),
}
SHARPENING = {"plain": 0.0, "sharpened": 0.6}
CLOTHS: dict[str, tuple[Colour, Colour]] = {
    "light on dark": ((225, 222, 215), (50, 60, 58)),
    "red on white": ((200, 60, 50), (230, 230, 228)),
    "light on grey": ((225, 222, 215), (118, 124, 120)),
    "navy on grey": ((38, 48, 92), (118, 124, 120)),
}


@dataclass(frozen=True)
class ToneTrial:
    """One picture: growth of the squares, and the outline's shift with and without its correction, px."""

    curve: str
    sharpening: str
    cloth: str
    growth_px: float
    before_px: float
    after_px: float


def run_tones() -> Iterator[ToneTrial]:
    """All curves, sharpened or not, on all cloths."""
    for cloth in CLOTHS:
        for sharpening, amount in SHARPENING.items():
            for curve in CURVES:
                growth_px, before, after = attempt(cloth, curve, amount)
                yield ToneTrial(curve, sharpening, cloth, growth_px, before, after)


def attempt(cloth: str, curve: str, sharpening: float) -> tuple[float, float, float]:
    """Growth of the squares and the outline's shift before and after its correction, px."""
    picture, true_px = _picture(cloth)
    sharp = picture + sharpening * (picture - cv2.GaussianBlur(picture, (0, 0), 1.0))
    codes = np.rint(255.0 * np.interp(sharp, np.arange(256), CURVES[curve])).clip(0, 255).astype(np.uint8)
    photo = Photo(codes, "scene", "", focal_35mm=26.0)
    view = rectify(photo, square_mm=100.0)
    assert view.contrast is not None
    found = refine_outline(photo, np.asarray(true_px.exterior.coords)[:-1])
    corrected = without_growth(found, photo, view.growth_px[0], view.contrast)
    shifts = [(Polygon(o.points_px).area - true_px.area) / true_px.length for o in (found, corrected)]
    return view.growth_px[0], shifts[0], shifts[1]


@cache
def _picture(cloth: str) -> tuple[np.ndarray, Polygon]:
    camera, pose = scene_camera(SIZE_PX, View(1250, 8, turn_deg=5))
    places = ((-380, -230, 5), (380, 230, -12), (370, -240, 20))
    squares = tuple(LaidReference("coded", (100, 100), (x, y), t, code=i) for i, (x, y, t) in enumerate(places))
    colour, mat = CLOTHS[cloth]
    laid = LaidCloth(PANEL_MM, colour=colour)
    scene = Scene(camera, pose, SIZE_PX, squares, (laid,), Mat(colour=mat), blur_px=0.8)
    return render_photo(scene).astype(np.float32), silhouette_px(laid, scene)


def print_tone() -> None:
    """Rms shift of the outline by cloth."""
    trials = list(run_tones())
    print(f"tone: {len(CURVES)} curves, plain and sharpened; rms shift of the outline, px")
    print(f"  {'cloth':16s} {'as found':>9s} {'corrected':>10s}")
    for cloth in CLOTHS:
        chosen = [t for t in trials if t.cloth == cloth]
        before, after = (
            np.sqrt(np.mean(np.square([getattr(t, k) for t in chosen]))) for k in ("before_px", "after_px")
        )
        print(f"  {cloth:16s} {before:9.3f} {after:10.3f}")
