"""What the tests of labelling share: a small sky written by astropy, and an untrained model."""

from pathlib import Path

import numpy as np
import torch
from astropy.io import fits

from classifier.network import Network, NetworkConfig
from classifier.vocabulary import KEYS
from training.calibrate import Familiar
from training.export import write_model

CARDS = {"EXPTIME": 90.0, "EGAIN": 1.0, "RDNOISE": 3.0, "FILTER": "L", "OBJECT": "Test Field"}


def sky(seed: int, shape=(240, 320), fwhm_px=3.0, stars=60) -> np.ndarray:
    """Round Gaussian stars on a flat sky of 800 ADU with its Poisson-like noise; uint16."""
    rng = np.random.default_rng(seed)
    picture = np.full(shape, 800.0)
    y, x = np.indices(shape)
    sigma = fwhm_px / 2.3548
    for _ in range(stars):
        cx, cy = rng.uniform(8, shape[1] - 8), rng.uniform(8, shape[0] - 8)
        peak = 60.0 * rng.pareto(1.5) + 150.0
        picture += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2))
    return rng.normal(picture, np.sqrt(picture + 9.0)).clip(0, 65535).astype(np.uint16)


def write_sub(path: Path, seed: int = 1, **cards) -> Path:
    """One light frame as FITS; cards override the usual ones."""
    shape = cards.pop("shape", (240, 320))
    hdu = fits.PrimaryHDU(sky(seed, shape))
    for key, value in {**CARDS, "IMAGETYP": "Light", **cards}.items():
        hdu.header[key] = value
    hdu.writeto(path)
    return path


def write_untrained(folder: Path, offset: float = -6.0, seed: int = 0) -> Path:
    """A model folder whose network was never trained: it labels nothing (offset -6) or all."""
    torch.manual_seed(seed)
    network = Network(NetworkConfig(width=4, features=16, star_features=8)).eval()
    fitted = {
        "calibration": {key: {"a": 0.0, "b": offset} for key in KEYS},
        "prevalence": dict.fromkeys(KEYS, 0.05),
        "prior": dict.fromkeys(KEYS, 0.05),
        "thresholds": dict.fromkeys(KEYS, 0.6),
        "unsure": dict.fromkeys(KEYS, 0.4),
        "familiar": Familiar(np.zeros(16), 1e-4 * np.eye(16), 1.0, 2.0),
        "calibration_frames": 0,
        "calibration_clean_frames": 0,
    }
    write_model(folder, network, fitted, 0.9, {"command": "none: an untrained network"})
    return folder
