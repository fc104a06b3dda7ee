"""Named independent random streams: the same seed and names give the same numbers.

Scalars and small arrays are drawn with numpy on the CPU, pixels with torch on the device. A
stream's seed is a hash of its names, so adding a draw in one place moves nothing elsewhere.
"""

import hashlib

import numpy as np
import torch


def seed_of(*names: int | str) -> int:
    """63-bit seed of a tuple of names and numbers; stable over machines and versions."""
    text = "\x1f".join(str(name) for name in names)
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "little") >> 1


def stream(*names: int | str) -> np.random.Generator:
    """numpy Generator for scalars, for example stream(seed, "sky", 3)."""
    return np.random.default_rng(seed_of(*names))


def torch_stream(device: torch.device | str, *names: int | str) -> torch.Generator:
    """torch Generator on a device, for pixels."""
    generator = torch.Generator(device=device)
    generator.manual_seed(seed_of(*names))
    return generator


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """One draw whose logarithm is uniform between low and high, both over 0."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
