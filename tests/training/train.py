"""Train the network: train.py PHOTOS MASKS OUT --seconds 450 [--workers 15] [--start WEIGHTS].

New scenes stream in from worker processes into a pool on the device; every step draws a batch from the pool and from
the labelled photographs, and alters view and colours. Writes OUT/weights.pt (running mean
of the weights) and OUT/log.txt.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from augment import altered_colours, altered_view
from network import ClothNet
from photos import Photo, load_photos
from scene import OUTPUT, scene
from torch import Tensor
from torch.nn import functional
from torch.utils.data import DataLoader, Dataset

STEPS_A_LOAD = 5


@dataclass(frozen=True)
class Plan:
    """How to train; a seed fixes scenes and batches (the number of steps follows the machine's speed)."""

    seconds: float
    workers: int
    batch: int
    photo_share: float
    pool: int
    rate: float
    seed: int = 20260


class Scenes(Dataset[Tensor]):
    """Scene k of an endless series as a (4, H, W) uint8 tensor: RGB and mask."""

    def __init__(self, photos: list[Photo], first_seed: int) -> None:
        self.photos, self.first_seed = photos, first_seed

    def __len__(self) -> int:
        return 10_000_000

    def __getitem__(self, index: int) -> Tensor:
        cv2.setNumThreads(1)
        rgb, mask = scene(self.first_seed + index, self.photos)
        return torch.from_numpy(np.dstack([rgb, mask]).transpose(2, 0, 1).copy())


def photo_tensor(photo: Photo) -> Tensor:
    """A photograph lying on its long side, scaled to the training size."""
    both = np.dstack([photo.rgb, photo.mask])
    if both.shape[0] > both.shape[1]:
        both = np.ascontiguousarray(np.rot90(both))
    return torch.from_numpy(cv2.resize(both, OUTPUT[::-1], interpolation=cv2.INTER_LINEAR).transpose(2, 0, 1).copy())


def is_held_out(photo: Photo) -> bool:
    """One photograph in twelve, by its name, never trains."""
    return zlib.crc32(photo.name.encode()) % 12 == 5


def loss_of(logit: Tensor, truth: Tensor) -> Tensor:
    """Cross-entropy, four times as heavy along edges, plus one minus the overlap (soft Dice) of each picture."""
    band = functional.max_pool2d(truth, 7, 1, 3) + functional.max_pool2d(-truth, 7, 1, 3)
    weight = 1 + 3 * band
    entropy = functional.binary_cross_entropy_with_logits(logit, truth, weight=weight)
    p = torch.sigmoid(logit)
    overlap = (2 * (p * truth).sum((1, 2, 3)) + 50) / (p.sum((1, 2, 3)) + truth.sum((1, 2, 3)) + 50)
    return entropy + 0.5 * (1 - overlap).mean()


@torch.no_grad()
def overlaps(net: ClothNet, pictures: Tensor) -> Tensor:
    """Intersection over union at 0.5 for each of (N, 4, H, W) uint8 pictures."""
    ious = []
    for part in pictures.split(32):
        found = net(part[:, :3].float() / 255) > 0
        truth = part[:, 3:] > 127
        ious.append((found & truth).sum((1, 2, 3)) / (found | truth).sum((1, 2, 3)).clamp(min=1))
    return torch.cat(ious).cpu()


def batches(plan: Plan, scenes: Iterator[Tensor], photos: Tensor, device: torch.device) -> Iterator[Tensor]:
    """Endless batches; the pool grows and then renews itself as new scenes arrive."""
    generator = torch.Generator().manual_seed(plan.seed)
    pool = torch.empty((plan.pool, 4, *OUTPUT), dtype=torch.uint8, device=device)
    filled = at = 0
    from_photos = round(plan.batch * plan.photo_share) if len(photos) else 0
    while True:
        new = next(scenes).to(device, non_blocking=True)
        take = min(len(new), plan.pool - at)
        pool[at : at + take] = new[:take]
        filled, at = max(filled, at + take), (at + take) % plan.pool
        if filled < min(plan.pool, 4 * plan.batch):
            continue
        for _ in range(STEPS_A_LOAD):
            chosen = torch.randint(filled, (plan.batch - from_photos,), generator=generator)
            parts = [pool[chosen.to(device)]]
            if from_photos:
                parts.append(photos[torch.randint(len(photos), (from_photos,), generator=generator).to(device)])
            yield torch.cat(parts)


def train(plan: Plan, photos: list[Photo], out: Path, start: Path | None) -> None:
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(plan.seed)
    torch.backends.cudnn.benchmark = True
    held_out, training = ([photo for photo in photos if is_held_out(photo) == wanted] for wanted in (True, False))
    held_tensor, photo_pool = (
        torch.stack([photo_tensor(p) for p in part]).to(device) if part else torch.empty(0)
        for part in (held_out, training)
    )
    test_scenes = torch.stack([Scenes(held_out, 900_000_000)[k] for k in range(64)]).to(device)
    loader = DataLoader(
        Scenes(training, plan.seed * 1000),
        batch_size=plan.batch // 4,
        num_workers=plan.workers,
        prefetch_factor=4 if plan.workers else None,
    )
    net = ClothNet().to(device, memory_format=torch.channels_last)
    if start:
        net.load_state_dict(torch.load(start, map_location=device))
    mean_net = copy.deepcopy(net).eval()
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=0.02, fused=device.type == "cuda")
    mean_values, values = ([v for v in n.state_dict().values() if v.dtype.is_floating_point] for n in (mean_net, net))
    began, step, log = time.time(), 0, []
    source = batches(plan, iter(loader), photo_pool, device)
    next_report = 0.1
    while (progress := (time.time() - began) / plan.seconds) < 1:
        part = next(source)
        for group in optimiser.param_groups:
            group["lr"] = (
                plan.rate * min(1, (step + 1) / 150) * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * progress)))
            )
        pictures, truth = altered_view(part.float() / 255)
        if torch.rand(()) < 0.5:
            pictures, truth = pictures.transpose(2, 3), truth.transpose(2, 3)
        pictures = altered_colours(pictures).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            logit = net(pictures)
        loss = loss_of(logit.float(), truth)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        step += 1
        keep = min(0.999, step / (step + 10))
        with torch.no_grad():
            torch._foreach_lerp_(mean_values, values, 1 - keep)
        if progress > next_report or step == 1:
            next_report += 0.1
            log.append(report(mean_net, step, time.time() - began, float(loss.detach()), held_tensor, test_scenes))
            print(log[-1], flush=True)
    log.append(report(mean_net, step, time.time() - began, float(loss.detach()), held_tensor, test_scenes))
    print(log[-1], flush=True)
    out.mkdir(parents=True, exist_ok=True)
    torch.save(mean_net.state_dict(), out / "weights.pt")
    (out / "log.txt").write_text("\n".join(log) + "\n")


def report(net: ClothNet, step: int, seconds: float, loss: float, held_out: Tensor, test_scenes: Tensor) -> str:
    text = f"step {step} {seconds:.0f} s loss {loss:.4f}"
    for name, pictures in (("photos", held_out), ("scenes", test_scenes)):
        if len(pictures):
            ious = overlaps(net, pictures)
            text += f"  {name}: IoU median {ious.median():.4f} mean {ious.mean():.4f}"
            text += f" under 0.92: {(ious < 0.92).sum()}/{len(ious)}"
    return text


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", type=Path)
    parser.add_argument("masks", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=450)
    parser.add_argument("--workers", type=int, default=15)
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--pool", type=int, default=24000)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--photo-share", type=float, default=0.25)
    parser.add_argument("--seed", type=int, default=20260)
    parser.add_argument("--start", type=Path)
    options = parser.parse_args()
    plan = Plan(
        options.seconds, options.workers, options.batch, options.photo_share, options.pool, options.rate, options.seed
    )
    train(plan, load_photos(options.photos, options.masks), options.out, options.start)


if __name__ == "__main__":
    main()
