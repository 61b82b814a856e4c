"""The network: a small residual encoder, context at 1/32, and a decoder that ends at full size.

Input (N, 3, H, W) RGB, 0 to 1, H and W multiples of 32; output (N, 1, H, W), the logit of "this pixel is cloth".
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

ENCODER = (24, 48, 80, 112, 128)
DECODER = (16, 32, 48, 64, 96)


def convolution(inputs: int, outputs: int, size: int = 3, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    padding = dilation * (size // 2)
    layers = nn.Conv2d(inputs, outputs, size, stride, padding, dilation, bias=False), nn.BatchNorm2d(outputs)
    return nn.Sequential(*layers)


class Residual(nn.Module):
    """Two 3x3 convolutions beside a shortcut (He et al., Deep residual learning, 2016)."""

    def __init__(self, inputs: int, outputs: int, stride: int = 1, dilation: int = 1) -> None:
        super().__init__()
        self.first = convolution(inputs, outputs, 3, stride)
        self.second = convolution(outputs, outputs, 3, 1, dilation)
        same = inputs == outputs and stride == 1
        self.shortcut = nn.Identity() if same else convolution(inputs, outputs, 1, stride)

    def forward(self, x: Tensor) -> Tensor:
        return functional.relu(self.second(functional.relu(self.first(x))) + self.shortcut(x))


class ClothNet(nn.Module):
    """Encoder, context, decoder (after Ronneberger et al., U-Net, 2015)."""

    def __init__(self) -> None:
        super().__init__()
        e, d = ENCODER, DECODER
        self.fine = nn.Sequential(convolution(3, 8), nn.ReLU())
        self.stem = nn.Sequential(convolution(3, 16, 3, 2), nn.ReLU(), convolution(16, e[0]), nn.ReLU())
        self.stages = nn.ModuleList([
            nn.Sequential(Residual(e[0], e[1], 2), Residual(e[1], e[1])),
            nn.Sequential(Residual(e[1], e[2], 2), Residual(e[2], e[2])),
            nn.Sequential(Residual(e[2], e[3], 2), Residual(e[3], e[3])),
            nn.Sequential(Residual(e[3], e[4], 2), Residual(e[4], e[4], 1, 2), Residual(e[4], e[4], 1, 4)),
        ])  # fmt: skip
        self.top = convolution(e[4], d[4], 1)
        self.overall = nn.Sequential(nn.Conv2d(e[4], d[4], 1), nn.ReLU())
        self.lateral = nn.ModuleList([convolution(e[k], d[k], 1) for k in range(4)])
        self.narrow = nn.ModuleList([nn.Conv2d(d[k + 1], d[k], 1) for k in range(4)])
        self.merge = nn.ModuleList([nn.Sequential(convolution(d[k], d[k]), nn.ReLU()) for k in range(4)])
        self.last = nn.Sequential(convolution(d[0] + 8, 12), nn.ReLU(), nn.Conv2d(12, 1, 3, padding=1))

    def forward(self, x: Tensor) -> Tensor:
        x = x - 0.5
        levels = [self.stem(x)]
        for stage in self.stages:
            levels.append(stage(levels[-1]))
        y = self.top(levels[-1]) + self.overall(levels[-1].mean((2, 3), keepdim=True))
        for k in (3, 2, 1, 0):
            wide = functional.interpolate(
                self.narrow[k](functional.relu(y)), scale_factor=2.0, mode="bilinear", align_corners=False
            )
            y = self.merge[k](functional.relu(wide + self.lateral[k](levels[k])))
        y = functional.interpolate(y, scale_factor=2.0, mode="bilinear", align_corners=False)
        return self.last(torch.cat([y, self.fine(x)], 1))
