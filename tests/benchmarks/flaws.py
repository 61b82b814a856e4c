"""Flaws proposed on generated cloth, with and without one: how many are found, how often a print cries wolf."""

import cv2
import numpy as np

from flatmeasure.cloth.flaws import FlawZone, find_flaws
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


def shot(cloth: Texture, kind: str | None, seed: int) -> tuple[Photo, np.ndarray]:
    """A piece on grey ground, 1 mm a pixel, and where its flaw is."""
    rng = np.random.default_rng([seed, len(kind or "")])
    picture = np.ascontiguousarray(plain((120, 124, 126))(rng, SIZE))
    piece = np.zeros(SIZE, np.float32)
    cv2.fillPoly(piece, [OUTLINE.astype(np.int32)], 1.0)
    colours = np.clip(cloth(rng, SIZE), 0.0, 1.0).astype(np.float32)
    at = np.array([rng.uniform(400, 1000), rng.uniform(320, 800)])
    share = _blob(rng, at) if kind else np.zeros(SIZE, np.float32)
    if kind == "stain":
        share = cv2.GaussianBlur(share, (0, 0), 4.0)
        colours = colours * (1.0 - share[..., None] * np.array([0.35, 0.5, 0.65], np.float32))
    elif kind == "worn":
        share = cv2.GaussianBlur(share, (0, 0), 6.0)
        colours = colours + share[..., None] * 0.45 * (0.75 - colours)
    elif kind == "hole":
        colours = colours + share[..., None] * (picture - colours)
    picture = picture + piece[..., None] * (colours - picture)
    codes = unrounded_codes(cv2.GaussianBlur(picture, (0, 0), 0.8))
    codes += 2.0 * rng.standard_normal((*SIZE, 3), dtype=np.float32)
    return load_photo(np.clip(np.rint(codes), 0, 255).astype(np.uint8)), at


def print_flaws() -> None:
    """Share of flaws found with the right kind named, and of flawless pieces with a proposal."""
    for name, cloths in (("plain", PLAIN), ("patterned", PATTERNED)):
        wolves = [
            f"{cloth} {seed}" for cloth, draw in cloths.items() for seed in SEEDS if _proposed(draw, None, seed)[0]
        ]
        print(f"flaws: {name} cloth without a flaw: {len(wolves)} of {len(cloths) * len(SEEDS)} cry wolf {wolves}")
        for kind in KINDS:
            hits = [_hit(*_proposed(draw, kind, seed)) for draw in cloths.values() for seed in SEEDS]
            found = [zone for zone in hits if zone is not None]
            named = sum(zone.kind == kind for zone in found)
            print(f"  {kind:6s} found {len(found)} of {len(hits)}, named so {named}")


def _proposed(draw: Texture, kind: str | None, seed: int) -> tuple[tuple[FlawZone, ...], np.ndarray]:
    photo, at = shot(draw, kind, seed)
    return find_flaws(photo, OUTLINE), at


def _hit(zones: tuple[FlawZone, ...], at: np.ndarray) -> FlawZone | None:
    return next(
        (z for z in zones if cv2.pointPolygonTest(z.outline_px.astype(np.float32), at.tolist(), False) >= 0), None
    )


def _blob(rng: Rng, at: np.ndarray) -> Picture:
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = rng.uniform(9, 30) * (
        1 + 0.15 * np.cos(2 * t + rng.uniform(0, 6)) + 0.1 * np.cos(3 * t + rng.uniform(0, 6))
    )
    area = np.zeros(SIZE, np.float32)
    cv2.fillPoly(area, [np.rint(at + np.column_stack([np.cos(t), np.sin(t)]) * radius[:, None]).astype(np.int32)], 1.0)
    return area
