"""The generator's star light at one place of one telescope, for tests against outside values."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from synth.optics import TERMS, pupil_amplitude, spread
from synth.psf import Blur, Pupil, star_light
from synth.tracking import STEPS

TRUTH = Path(__file__).resolve().parent / "truth"
Bars = Sequence[tuple[float, float, float, bool]]


def table(name: str) -> np.ndarray:
    """Rows of a table of tests/truth as a structured array, its comments left out."""
    lines = (TRUTH / name).read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if not line.startswith("#")]
    return np.genfromtxt(rows, delimiter=",", names=True, dtype=None, encoding="utf-8")


def vanes(count: int, width: float, turn_deg: float = 0.0) -> Bars:
    """Vanes of a spider, `width` in apertures: (angle, width, offset, half) each."""
    return [(turn_deg + 360.0 * i / count, width, 0.0, True) for i in range(count)]


def _one(value: float) -> Tensor:
    return torch.tensor([float(value)], dtype=torch.float32)


def _bars(bars: Bars) -> list[Tensor]:
    rows = list(bars) or [(0.0, 0.0, 0.0, False)]
    return [torch.tensor([[float(bar[i]) for bar in rows]]) for i in range(4)]


def amplitude(hole: float = 0.0, bars: Bars = (), samples: int = 256) -> Tensor:
    """(1, samples, samples) pupil."""
    return pupil_amplitude(samples, _one(hole), *_bars(bars))


def diffraction(
    step: float,
    size: int,
    hole: float = 0.0,
    bars: Bars = (),
    waves: Sequence[float] = (0.0,) * len(TERMS),
    samples: int = 256,
) -> np.ndarray:
    """(size, size) float64 light of sum 1 before the atmosphere; `step` in lambda / D."""
    errors = torch.tensor(list(waves), dtype=torch.float32)[None, None]
    light = spread(amplitude(hole, bars, samples), errors, _one(step), size)
    return light[0, 0].double().numpy()


def whole_star(
    lambda_over_d_px: float,
    seeing_px: float,
    hole: float = 0.0,
    bars: Bars = (),
    waves: Sequence[float] = (0.0,) * len(TERMS),
    halo: tuple[float, float] = (9.0, 0.0),
    path: np.ndarray | None = None,
    side_px: int = 64,
    over: int = 4,
    samples: int = 128,
) -> np.ndarray:
    """(side over, side over) float64 light per px^2 of one electron; the pixel is in it.

    halo: width in px and share.
    """
    pupil = Pupil(_one(hole), *_bars(bars), _one(lambda_over_d_px))
    moves = np.zeros((STEPS, 2)) if path is None else path
    blur = Blur(
        torch.tensor(list(waves), dtype=torch.float32)[None, None],
        _one(seeing_px)[None],
        _one(halo[0]),
        _one(halo[1]),
        torch.tensor(moves, dtype=torch.float32)[None, None],
    )
    return star_light(pupil, blur, side_px, over, samples, (1.0,))[0, 0].double().numpy()


def axis(size: int, step: float = 1.0) -> np.ndarray:
    """Coordinates of a picture whose pixel size // 2 is the origin."""
    return (np.arange(size) - size // 2) * step


def radius(size: int, step: float = 1.0) -> np.ndarray:
    return np.hypot(axis(size, step)[:, None], axis(size, step))
