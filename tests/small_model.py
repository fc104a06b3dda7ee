"""A small untrained model, as a network or as a folder on disk, for tests that need any model."""

from pathlib import Path

import numpy as np
import torch

from classifier.line_view import LOOKS
from classifier.network import Network, NetworkConfig
from classifier.views import FACT_COUNT, SKY_CHANNELS, Views
from classifier.vocabulary import KEYS
from training.calibrate import Familiar
from training.export import as_stored, write_model

SMALL = NetworkConfig(width=8, features=32, star_features=16, company=True, scales=True)
# How a model was made, as a training tells it, in words that a test knows again.
MADE = {
    "command": "a command",
    "minutes": 1.0,
    "device": "a device",
    "torch": "2",
    "steps": 3,
    "rendered_frames": 4,
    "settings": {"batch": 8, "seed": 1, "steps": 1, "clean_alarms": 0.01, "prior": 0.05},
}


def small_network(seed: int = 1) -> Network:
    torch.manual_seed(seed)
    network = Network(SMALL)
    for last in (network.company[2], network.scales[-1]):
        torch.nn.init.normal_(last.weight, std=0.1)  # an untrained one hears nothing by them
    return as_stored(network).eval()


def random_views(frames: int, seed: int = 1, lines: int = 1) -> Views:
    """Views of the right shapes and about the right sizes of numbers, showing nothing."""
    generator = torch.Generator().manual_seed(seed)

    def normal(*shape: int) -> torch.Tensor:
        return torch.randn(*shape, generator=generator)

    sheet_facts = normal(frames, 64, 5)
    sheet_facts[..., 3:] = (sheet_facts[..., 3:] > -0.5).float()
    return Views(
        sky=normal(frames, SKY_CHANNELS, 256, 256) / 3,
        sheet=normal(frames, 64, 32, 32) / 3,
        sheet_facts=sheet_facts,
        stack=normal(frames, 4, 32, 32) / 3,
        bright=normal(frames, 4, 96, 96) / 3,
        tiles=normal(frames, 6, 64, 64) / 3,
        facts=normal(frames, FACT_COUNT),
        stars_px=normal(frames, 64, 3).abs() * 100,
        line_px=normal(frames, 4).abs() * 100,
        lines=normal(frames, LOOKS[lines].count),
    )


def fitted(features: int = SMALL.features) -> dict:
    """What calibration would give, with round numbers."""
    return {
        "calibration": {key: {"a": 0.5, "b": -1.0} for key in KEYS},
        "prevalence": dict.fromkeys(KEYS, 0.2),
        "prior": dict.fromkeys(KEYS, 0.05),
        "thresholds": dict.fromkeys(KEYS, 0.6),
        "unsure": dict.fromkeys(KEYS, 0.25),
        "familiar": Familiar(np.zeros(features), np.eye(features), 1.0, 1.5),
    }


def write_small_model(folder: Path, network: Network | None = None) -> Path:
    settings = {"seed": 1}
    write_model(folder, network or small_network(), fitted(), 0.9, {"settings": settings})
    return folder
