"""Changes of view and colour made on the device, on whole batches."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional


def uniform(like: Tensor, low: float, high: float, *shape: int) -> Tensor:
    return torch.empty((len(like), *shape), device=like.device).uniform_(low, high)


def altered_view(pictures: Tensor) -> tuple[Tensor, Tensor]:
    """Mirror, zoom in, turn and shift (N, 4, H, W); returns RGB and mask."""
    n, _, h, w = pictures.shape
    turn = uniform(pictures, -0.35, 0.35) * (torch.rand(n, device=pictures.device) < 0.5)
    scale = 1 / (1 + torch.rand(n, device=pictures.device) ** 2 * 0.7)
    mirror_x, mirror_y = (torch.randint(0, 2, (n,), device=pictures.device) * 2.0 - 1 for _ in range(2))
    stretch = torch.exp(uniform(pictures, -0.1, 0.1))
    cos, sin, ratio = torch.cos(turn) * scale, torch.sin(turn) * scale, h / w
    free = (1 - scale).clamp(min=0.02)
    matrix = torch.zeros((n, 2, 3), device=pictures.device)
    matrix[:, 0, 0], matrix[:, 0, 1] = cos * mirror_x * stretch, -sin * ratio * mirror_x
    matrix[:, 1, 0], matrix[:, 1, 1] = sin / ratio * mirror_y, cos * mirror_y
    matrix[:, 0, 2], matrix[:, 1, 2] = uniform(pictures, -1, 1) * free, uniform(pictures, -1, 1) * free
    grid = functional.affine_grid(matrix, [n, 4, h, w], align_corners=False)
    moved = functional.grid_sample(pictures, grid, padding_mode="reflection", align_corners=False)
    return moved[:, :3], moved[:, 3:]


def altered_colours(rgb: Tensor) -> Tensor:
    """Exposure, white balance, contrast, saturation, swapped channels, blur, noise."""
    n = len(rgb)

    def some(share: float) -> Tensor:
        return (torch.rand((n, 1, 1, 1), device=rgb.device) < share).float()

    swapped = rgb[:, torch.randperm(3)]
    rgb = torch.lerp(rgb, swapped, some(0.3))
    grey = rgb.mean(1, keepdim=True)
    saturation = uniform(rgb, 0.5, 1.6, 1, 1, 1) * (1 - some(0.07))
    rgb = grey + (rgb - grey) * saturation
    rgb = torch.lerp(rgb, 1 - rgb, some(0.04))
    rgb = rgb * torch.exp(uniform(rgb, -0.12, 0.12, 3, 1, 1)) * torch.exp(uniform(rgb, -0.35, 0.25, 1, 1, 1))
    middle = rgb.mean((1, 2, 3), keepdim=True)
    rgb = middle + (rgb - middle) * torch.exp(uniform(rgb, -0.5, 0.3, 1, 1, 1))
    rgb = rgb.clamp(1e-4, 1) ** torch.exp(uniform(rgb, -0.4, 0.4, 1, 1, 1))
    small = functional.interpolate(rgb, scale_factor=0.5 + 0.4 * float(torch.rand(())), mode="bilinear", antialias=True)
    rgb = torch.lerp(rgb, functional.interpolate(small, size=rgb.shape[2:], mode="bilinear"), some(0.25))
    noise = torch.randn_like(rgb) * uniform(rgb, 0, 1, 1, 1, 1) ** 3 * 0.06
    return (rgb + noise).clamp(0, 1)
