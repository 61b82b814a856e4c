"""Flaws proposed on generated cloth, with and without one: how many are found, how often a print cries wolf."""

import cv2
import numpy as np

from flatmeasure.cloth.flaws import FlawZone, find_flaws
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, load_photo, unrounded_codes
from tests.benchmarks.contrast_textures import (
    BEIGE,
    BLACK,
    GREY,
    NAVY,
    OLIVE,
    RED,
    ROSE,
    TEAL,
    WHITE,
    Picture,
    Rng,
    Texture,
    bands,
    dotted,
    plain,
    satin,
    sequins,
)

SIZE = (1100, 1400)
SEEDS = range(6)
OUTLINE = np.array([[220.0, 160], [160, 900], [700, 980], [1240, 900], [1180, 160]])
PLAIN = {name: plain(c) for name, c in
         {"white": WHITE, "beige": BEIGE, "grey": GREY, "navy": NAVY, "rose": ROSE, "teal": TEAL}.items()}  # fmt: skip
PATTERNED = {
    "stripes": bands(WHITE, TEAL, True, False),
    "plaid": bands(RED, NAVY, True, True),
    "pale plaid": bands(BEIGE, WHITE, True, True),
    "print": dotted(ROSE, WHITE, RED, OLIVE),
    "dark print": dotted(BLACK, WHITE),
    "satin": satin((150, 60, 90)),
    "sequins": sequins((70, 70, 96)),
}
KINDS = ("stain", "hole", "worn")
CORNER, ON_EDGE, NEAR_EDGE = np.array([1180.0, 160]), np.array([700.0, 160]), np.array([700.0, 190])
AT_EDGE = {"across the edge": ON_EDGE, "beside the edge": NEAR_EDGE, "at a corner": CORNER}
DECOYS = ("seam", "dart", "shade in a notch")
NOTCHED = np.vstack([OUTLINE, [[730.0, 160], [700, 220], [670, 160]]])


def shot(cloth: Texture, kind: str | None, seed: int, place: Points | None = None) -> tuple[Photo, Points]:
    """A piece on grey ground, 1 mm a pixel, and where its flaw is; one of `DECOYS` is none."""
    rng = np.random.default_rng([seed, len(kind or "")])
    picture: Picture = np.ascontiguousarray(plain((120, 124, 126))(rng, SIZE))
    piece = np.zeros(SIZE, np.float32)
    cv2.fillPoly(piece, [outline_of(kind).astype(np.int32)], 1.0)
    colours = np.clip(cloth(rng, SIZE), 0.0, 1.0).astype(np.float32)
    at = np.array([rng.uniform(400, 1000), rng.uniform(320, 800)])
    at = at if place is None else place
    share = _blob(rng, at) if kind in KINDS else np.zeros(SIZE, np.float32)
    if kind == "stain":
        share = cv2.GaussianBlur(share, (0, 0), 4.0)
        colours = colours * (1.0 - share[..., None] * np.array([0.35, 0.5, 0.65], np.float32))
    elif kind == "worn":
        share = cv2.GaussianBlur(share, (0, 0), 6.0)
        colours = colours + share[..., None] * 0.45 * (0.75 - colours)
    elif kind == "hole":
        colours = colours + share[..., None] * (picture - colours)
    elif kind is not None:
        colours = colours * (1.0 - _decoy(kind))[..., None]
    picture = picture + piece[..., None] * (colours - picture)
    codes = unrounded_codes(cv2.GaussianBlur(picture, (0, 0), 0.8))
    codes += 2.0 * rng.standard_normal((*SIZE, 3), dtype=np.float32)
    return load_photo(np.clip(np.rint(codes), 0, 255).astype(np.uint8)), at


def outline_of(kind: str | None) -> Points:
    """Of the piece with a flaw of a kind, pixels."""
    return NOTCHED if kind == "shade in a notch" else OUTLINE


def print_flaws() -> None:
    """Flaws found with the right kind named, and flawless pieces with a proposal."""
    for name, cloths in (("plain", PLAIN), ("patterned", PATTERNED)):
        for kind in (None, *DECOYS):
            wolves = [f"{c} {seed}" for c, draw in cloths.items() for seed in SEEDS if _proposed(draw, kind, seed)[0]]
            print(f"flaws: {name}, {kind or 'nothing'}: {len(wolves)} of {len(cloths) * len(SEEDS)} cry wolf {wolves}")
        for where, place in ({"anywhere": None} | AT_EDGE).items():
            for kind in KINDS if place is None else ("stain", "hole") if place is NEAR_EDGE else ("stain",):
                hits = [_hit(*_proposed(draw, kind, seed, place)) for draw in cloths.values() for seed in SEEDS]
                found = [zone for zone in hits if zone is not None]
                named = sum(zone.kind == kind for zone in found)
                print(f"  {kind:6s} {where:16s} found {len(found)} of {len(hits)}, named so {named}")


def _proposed(
    draw: Texture, kind: str | None, seed: int, place: Points | None = None
) -> tuple[tuple[FlawZone, ...], Points]:
    photo, at = shot(draw, kind, seed, place)
    return find_flaws(photo, outline_of(kind)), at


def _decoy(kind: str) -> Picture:
    """Share of the light that a seam's thread, a stitched dart or the shade in a notch takes."""
    share = np.zeros(SIZE, np.float32)
    if kind == "seam":
        cv2.line(share, (220, 172), (1180, 172), 0.6, 4)
    elif kind == "dart":
        cv2.fillPoly(share, [np.array([[685, 160], [700, 290], [715, 160]])], 0.6)
    else:
        cv2.circle(share, (700, 215), 14, 0.5, -1)
        share = cv2.GaussianBlur(share, (0, 0), 5.0)
    return share


def _hit(zones: tuple[FlawZone, ...], at: Points) -> FlawZone | None:
    """The zone that holds a point, or reaches within a reduced pixel or two of it, at the outline."""
    return next(
        (z for z in zones if cv2.pointPolygonTest(z.outline_px.astype(np.float32), at.tolist(), True) >= -8.0), None
    )


def _blob(rng: Rng, at: Points) -> Picture:
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = rng.uniform(9, 30) * (
        1 + 0.15 * np.cos(2 * t + rng.uniform(0, 6)) + 0.1 * np.cos(3 * t + rng.uniform(0, 6))
    )
    area = np.zeros(SIZE, np.float32)
    cv2.fillPoly(area, [np.rint(at + np.column_stack([np.cos(t), np.sin(t)]) * radius[:, None]).astype(np.int32)], 1.0)
    return area
