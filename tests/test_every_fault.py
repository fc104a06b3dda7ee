"""Adding a fault means a row, a recipe, a measure and a remedy; this fails if one is missing."""

from pathlib import Path

import numpy as np
import pytest
import torch

from classifier.context import CONTEXT
from classifier.facts import Facts
from classifier.frame import Frame
from classifier.measures import measure_frame
from classifier.network import Network
from classifier.remedies import remedy
from classifier.vocabulary import FAULTS, KEYS, SET_FAULTS
from synth.recipes import RECIPES


@pytest.fixture(scope="module")
def evidence() -> dict:
    """Evidence of a plain frame: a noisy sky with round stars on a grid."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:256, :256].astype(float)
    light = np.full((256, 256), 400.0)
    for cy in range(20, 256, 36):
        for cx in range(20, 256, 36):
            light += 3000 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.6**2))
    pixels = rng.poisson(light).astype(np.float32)
    return measure_frame(Frame(Path("plain.fits"), pixels, None, Facts())).evidence


@pytest.mark.parametrize("key", KEYS)
def test_fault_is_complete(key, evidence):
    assert callable(RECIPES[key])
    assert evidence[key].state in {"yes", "no", "unknown"}
    assert remedy(key).causes


def test_nothing_is_left_over(evidence):
    assert set(RECIPES) == set(KEYS)
    assert set(evidence) <= {row.key for row in FAULTS + SET_FAULTS}


def test_network_has_one_output_per_fault():
    network = Network().eval()
    logits = network.judge(
        torch.zeros(1, network.config.features), torch.full((1, len(CONTEXT)), torch.nan)
    )
    assert logits.shape == (1, len(KEYS))
