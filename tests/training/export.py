"""Write the trained network as one ONNX file: export.py WEIGHTS FILE.onnx.

Batch norms are folded, a sigmoid is added.
"""

from __future__ import annotations

import sys
import warnings

import torch
from network import ClothNet
from torch import Tensor, nn


class Probability(nn.Module):
    """The network with its logit turned into a probability."""

    def __init__(self, net: ClothNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: Tensor) -> Tensor:
        return torch.sigmoid(self.net(x))


def export(weights_path: str, onnx_path: str) -> None:
    net = ClothNet()
    net.load_state_dict(torch.load(weights_path, map_location="cpu"))
    axes = {"rgb": {2: "height", 3: "width"}, "cloth": {2: "height", 3: "width"}}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            Probability(net).eval(), (torch.rand(1, 3, 384, 512),), onnx_path, opset_version=17, dynamo=False,
            input_names=["rgb"], output_names=["cloth"], dynamic_axes=axes,
        )  # fmt: skip


if __name__ == "__main__":
    export(*sys.argv[1:3])
