"""Time of one training step: memory layout, recording and kind of steps, on random views; and
whether a recorded pass gives the gradients of the plain one.

python tests/benchmarks/step_speed.py [--batch 256] [--stars 40]
"""

import argparse
import time

import torch

from classifier.context import CONTEXT
from classifier.line_view import LOOKS
from classifier.network import Network, NetworkConfig
from classifier.views import FACT_COUNT, SKY_CHANNELS, Views
from training.config import TrainConfig
from training.data import Sample
from training.loop import Trainer

WAYS = (
    "plain",
    "channels last",
    "recorded",
    "deeper sky, recorded",
    "as shipped, recorded",
    "as shipped, orthogonal",
    "as shipped, orthogonal, recorded",
)
NETWORKS = {
    "deeper sky": NetworkConfig(sky_blocks=2, sky_stages=3),
    "as shipped": NetworkConfig(
        sky_blocks=2, sky_stages=3, company=True, scales=True, lines=len(LOOKS) - 1, rays=True
    ),
}


def random_sample(batch: int, stars: int, device: str) -> Sample:
    def noise(*shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=device)

    views = Views(
        sky=noise(batch, SKY_CHANNELS, 256, 256).half(),
        sheet=noise(batch, stars, 32, 32).half(),
        sheet_facts=noise(batch, stars, 5).abs(),
        stack=noise(batch, 4, 32, 32).half(),
        bright=noise(batch, 4, 96, 96).half(),
        tiles=noise(batch, 6, 64, 64).half(),
        facts=noise(batch, FACT_COUNT),
        lines=noise(batch, LOOKS[-1].count),
        stars_px=noise(batch, stars, 3),
        line_px=noise(batch, 4),
    )
    run = torch.zeros(batch, dtype=torch.long, device=device)
    return Sample(views, noise(batch, len(CONTEXT)), noise(batch, 16).abs(), run)


def difference(sample: Sample) -> float:
    """Distance of a recorded pass' gradients from a plain one's, as a share of their length."""
    gradients = []
    for recorded in (False, True):
        torch.manual_seed(0)
        network = Network(NetworkConfig(dropout=0.0))
        trainer = Trainer(network, TrainConfig(steps=1, clip_norm=1e9), torch.device("cuda"))
        if recorded:
            trainer.record(sample)
        trainer.step(sample, 0.0)
        gradients.append(torch.cat([p.grad.flatten() for p in trainer.network.parameters()]))
    return float((gradients[0] - gradients[1]).norm() / gradients[0].norm())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batch", type=int, default=256)
    parser.add_argument("--stars", type=int, default=40)
    args = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    sample = random_sample(args.batch, args.stars, device)
    torch.backends.cudnn.benchmark = True
    if device == "cuda":
        print(f"recorded against plain: gradients differ by {difference(sample):.1e} of their norm")
    for name in WAYS:
        settings = TrainConfig(steps=1, orthogonal="orthogonal" in name)
        trainer = Trainer(Network(NETWORKS.get(name.split(",")[0])), settings, torch.device(device))
        if name == "plain":
            trainer.network.to(memory_format=torch.contiguous_format)
        if "recorded" in name:
            trainer.record(sample)
        began = time.perf_counter()
        for _ in range(4):
            trainer.step(sample, 1e-4)
        if device == "cuda":
            torch.cuda.synchronize()
        ready = time.perf_counter()
        for _ in range(10):
            trainer.step(sample, 1e-4)
        if device == "cuda":
            torch.cuda.synchronize()
        step_ms = (time.perf_counter() - ready) * 100
        print(f"{name:26s} first 4 steps {ready - began:6.1f} s, then {step_ms:7.1f} ms a step")


if __name__ == "__main__":
    main()
