"""A sky of many stars with one straight line in it, for what is searched for lines."""

import numpy as np
import torch
from scipy import ndimage

NOISE = 10.0


def stars_and_line(shape, stars, line, height=0.0, width_px=1.3, seed=1) -> torch.Tensor:
    """Stars of Gaussian shape with counts as on the sky (fluxes by a power law), and a line."""
    rng = np.random.default_rng(seed)
    light = np.zeros(shape)
    places = rng.integers(0, shape[0], stars), rng.integers(0, shape[1], stars)
    np.add.at(light, places, 15 * NOISE * (1 + rng.pareto(0.9, stars)).clip(1, 3e3))
    light = ndimage.gaussian_filter(light, width_px) * 2 * np.pi * width_px**2
    rows, columns = np.indices(shape, np.float32)
    x0, y0, x1, y1 = line
    length = np.hypot(x1 - x0, y1 - y0)
    along = ((columns - x0) * (x1 - x0) + (rows - y0) * (y1 - y0)) / length
    aside = ((columns - x0) * (y1 - y0) - (rows - y0) * (x1 - x0)) / length
    light += height * np.exp(-0.5 * (aside / width_px) ** 2) * ((along > 0) & (along < length))
    light += rng.normal(1000.0, NOISE, shape)
    return torch.from_numpy(light.astype(np.float32))[None]
