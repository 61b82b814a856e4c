"""Masks for unlabelled garment photographs, in two rounds; what each gives is looked at and the faulty left out.

    pseudo_labels.py colour PHOTOS MASKS                  the first round: colours alone
    pseudo_labels.py network PHOTOS MASKS FOUND.npz       later rounds: a network's answer, edges by colours

labels.csv names the photographs kept and the round each mask came from; only those are written.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]


def grab_cut(bgr: Bytes, trimap: Bytes, rounds: int) -> Bytes:
    """Mask (0, 1) after Rother et al., "GrabCut", 2004, on the slightly smoothed picture."""
    cv2.setRNGSeed(1)
    labels, below, above = trimap.copy(), np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(cv2.bilateralFilter(bgr, 5, 20, 3), labels, None, below, above, rounds, cv2.GC_INIT_WITH_MASK)
    return ((labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD)).astype(np.uint8)


def without_specks(mask: Bytes, share: float, hole_share: float) -> Bytes:
    """Parts above a share of the largest part, holes below a share of the picture filled."""
    _, parts, stats, _ = cv2.connectedComponentsWithStats(mask)
    areas = stats[1:, cv2.CC_STAT_AREA]
    kept = np.isin(parts, 1 + np.flatnonzero(areas > share * areas.max(initial=0))).astype(np.uint8)
    _, gaps, stats, _ = cv2.connectedComponentsWithStats(1 - kept)
    small = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] < hole_share * mask.size)
    kept[np.isin(gaps, small) & (kept == 0)] = 1
    return kept


def smoothed(mask: Bytes) -> Bytes:
    return ((cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.2) > 0.5) * 255).astype(np.uint8)


def far_from_ring(bgr: Bytes, across: NDArray[np.float64], down: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pixels whose colour is far from the colours along the picture's frame."""
    lab = cv2.cvtColor(cv2.GaussianBlur(bgr, (0, 0), 1.5), cv2.COLOR_BGR2LAB).astype(np.float32)
    ring = lab[(np.abs(across) > 0.9) | (np.abs(down) > 0.93)]
    cv2.setRNGSeed(1)
    _, _, centres = cv2.kmeans(ring, 5, None, (3, 20, 1), 2, cv2.KMEANS_PP_CENTERS)
    distance = np.min(np.linalg.norm((lab[:, :, None] - centres) * [0.6, 1.2, 1.2], axis=3), axis=2)
    scaled = np.clip(distance * 3, 0, 255).astype(np.uint8)
    h, w = scaled.shape
    limit, _ = cv2.threshold(scaled[h // 10 : -h // 10, w // 10 : -w // 10], 0, 255, cv2.THRESH_OTSU)
    return (distance * 3 > limit) & (across**2 + down**2 < 1.3)


def mask_by_colours(bgr: Bytes) -> Bytes:
    """The majority of three starts: a box, an oval, and colours unlike the frame's."""
    h, w = bgr.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    across, down = (x - w / 2) / (w / 2), (y - h / 2) / (h / 2)
    frame = np.maximum(np.abs(across), np.abs(down))
    oval = across**2 / 0.5 + down**2 / 0.55 < 1
    starts = ((np.abs(across) < 0.75) & (np.abs(down) < 0.8), oval, far_from_ring(bgr, across, down))
    votes = np.zeros((h, w), np.uint8)
    for number, start in enumerate(starts):
        trimap = np.where(start, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
        trimap[frame > (0.96 if number == 0 else 0.97)] = cv2.GC_BGD if number == 0 else cv2.GC_PR_BGD
        opened = cv2.morphologyEx(grab_cut(bgr, trimap, 6), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        votes += without_specks(opened, 0.1, 0.01)
    majority = cv2.morphologyEx((votes >= 2).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    return smoothed(without_specks(majority, 0.12, 0.002))


def mask_by_network(bgr: Bytes, found: Bytes) -> Bytes:
    """The network's answer at one half, its edge moved by colours within four pixels."""
    large = cv2.resize(found, bgr.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    mask = without_specks((large > 127).astype(np.uint8), 0.12, 0.002)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    trimap = np.where(mask > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    trimap[cv2.erode(mask, disc, borderType=cv2.BORDER_REPLICATE) > 0] = cv2.GC_FGD
    trimap[cv2.dilate(mask, disc) == 0] = cv2.GC_BGD
    return smoothed(without_specks(grab_cut(bgr, trimap, 3), 0.12, 0.002))


def main(source: str, photo_dir: Path, mask_dir: Path, found_path: str | None = None) -> None:
    found = np.load(found_path) if found_path else {}
    mask_dir.mkdir(parents=True, exist_ok=True)
    with (Path(__file__).parent / "labels.csv").open() as table:
        names = [row["name"] for row in csv.DictReader(table) if row["source"] == source]
    for name in names:
        bgr = cv2.imread(str(photo_dir / f"{name}.jpg"))
        mask = mask_by_network(bgr, found[name]) if found_path else mask_by_colours(bgr)
        cv2.imwrite(str(mask_dir / f"{name}.png"), mask)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), *sys.argv[4:5])
