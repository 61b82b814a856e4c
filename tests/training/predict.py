"""What a network says of every photograph in a folder: predict.py WEIGHTS PHOTOS FILE.npz (uint8, by name).

The mean over eight views (mirrors and a quarter turn), at 512 px on the long side: the start of pseudo-labels.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import torch
from network import ClothNet
from numpy.typing import NDArray
from torch import Tensor


@torch.no_grad()
def mean_probability(net: ClothNet, rgb: Tensor) -> Tensor:
    """(1, 3, H, W) to (H, W)."""
    views = []
    for turned in (False, True):
        for axes in ((), (2,), (3,), (2, 3)):
            view = torch.flip(rgb.transpose(2, 3) if turned else rgb, axes)
            found = torch.flip(torch.sigmoid(net(view)), axes)
            views.append(found.transpose(2, 3) if turned else found)
    return torch.stack(views).mean(0)[0, 0]


def predict(weights: Path, photo_dir: Path) -> dict[str, NDArray[np.uint8]]:
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    net = ClothNet().to(device).eval()
    net.load_state_dict(torch.load(weights, map_location=device))
    found = {}
    for path in sorted(photo_dir.glob("*.jpg")):
        rgb = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        scale = 512 / max(rgb.shape[:2])
        height, width = (max(32, round(side * scale / 32) * 32) for side in rgb.shape[:2])
        small = torch.from_numpy(cv2.resize(rgb, (width, height))).to(device).permute(2, 0, 1)[None].float() / 255
        found[path.stem] = (mean_probability(net, small) * 255).round().to(torch.uint8).cpu().numpy()
    return found


if __name__ == "__main__":
    np.savez_compressed(sys.argv[3], **predict(Path(sys.argv[1]), Path(sys.argv[2])))
