"""What a fault does to every star of a finished frame, as one kernel on the pixel grid.

A kernel has odd side, its origin in the middle and sum 1. `pitch_px` is the distance of the
samples it is meant for: 1 in a plain frame, 2 within one colour of a mosaic.
"""

import numpy as np
import torch
from torch import Tensor

from synth.atmosphere import halo_otf, kolmogorov_otf
from synth.optics import pupil_amplitude, spread
from synth.recipes import lambda_over_d_px
from synth.renoise import laid_down
from synth.scene import Bar, Scene
from synth.starlight import pupils, seeing_px

SIDE_PX = 128
OVER = 2
_PUPIL_SAMPLES = 256
# Wavelengths over the reference: rings smear over a filter's band.
_COLOURS = (0.92, 1.0, 1.08)
# Where diffraction alone leaves less than this of a detail, there is nothing to divide by.
_LEAST_TRANSFER = 0.03


def path_kernel(path_px: np.ndarray, pitch_px: float = 1.0) -> np.ndarray:
    """Kernel of a pointing path (K, 2) px at equal time steps; second moments are the path's."""
    return laid_down(path_px / pitch_px)


def optics_kernel(scene: Scene, pitch_px: float = 1.0) -> np.ndarray:
    """Kernel that turns stars of the scene's good optics into those of its aberrations.

    The ratio of the two transfer functions; an aberration never raises one (Schwarz), so that
    the ratio stays within 1.
    """
    waves = np.stack([scene.waves, scene.good_waves])
    amplitude = pupils([scene], "cpu").amplitude(_PUPIL_SAMPLES)
    faulty, good = _light(amplitude, torch.tensor(waves, dtype=torch.float32), scene)
    above, below = torch.fft.rfft2(faulty.double()), torch.fft.rfft2(good.double())
    ratio = above * below.conj() / (below.abs() ** 2 + _LEAST_TRANSFER**2)
    # At no frequency at all is anything lost to the division's floor.
    return _from_transfer(ratio * (1 + _LEAST_TRANSFER**2), pitch_px)


def soft_kernel(scene: Scene, pitch_px: float = 1.0) -> np.ndarray:
    """Kernel that turns good stars into those of the scene's seeing and halo.

    Kolmogorov stars convolved add their widths to the power 5/3.
    """
    good, poor = seeing_px(scene, 1.0), seeing_px(scene, scene.seeing_factor)
    more = max(poor ** (5 / 3) - good ** (5 / 3), 0.0) ** 0.6
    samples = SIDE_PX * OVER
    fx, fy = torch.fft.rfftfreq(samples, 1 / OVER), torch.fft.fftfreq(samples, 1 / OVER)
    frequency = (fx[None] ** 2 + fy[:, None] ** 2).sqrt().double()
    share = max(0.0, scene.halo_share - scene.good_halo_share)
    halo = halo_otf(frequency, torch.tensor(scene.halo_px), torch.tensor(share))
    return _from_transfer(kolmogorov_otf(frequency, torch.tensor(more)) * halo, pitch_px)


def spike_kernel(scene: Scene, cover: float = 1.0, pitch_px: float = 1.0) -> np.ndarray:
    """Kernel of stray bars over the pupil: by Babinet, the bars' own diffraction beside the star.

    What bars of area a (of the pupil) keep out of the image they scatter: (1 - a) of a point and a
    of the bars' pattern. `cover`: share of their light that is scattered, for bars across a part.
    """
    telescope = scene.rig.telescope
    hole = torch.tensor([telescope.obstruction])
    clear = _bars_over(hole, ())
    blocked = clear - _bars_over(hole, scene.bars)
    area = float(blocked.square().sum() / clear.square().sum()) * cover
    if area <= 0:
        return np.ones((1, 1))
    pattern = _light(blocked, torch.zeros(1, len(scene.waves)), scene)[0].double()
    points, weights = _points(pattern / pattern.sum(), pitch_px)
    points = np.concatenate((points, np.zeros((1, 2))))
    return laid_down(points, np.append(area * weights, 1 - area))


def _bars_over(hole: Tensor, bars: tuple[Bar, ...]) -> Tensor:
    def row(name: str) -> Tensor:
        return torch.tensor([[float(getattr(bar, name)) for bar in bars]]).reshape(1, len(bars))

    names = ("angle_deg", "width", "offset", "half")
    return pupil_amplitude(_PUPIL_SAMPLES, hole, *(row(name) for name in names))


def _light(amplitude: Tensor, waves: Tensor, scene: Scene) -> Tensor:
    """(Z, n, n) light distributions of one pupil for Z sets of waves, over the band."""
    step = torch.tensor([1.0 / (OVER * lambda_over_d_px(scene))], dtype=torch.float32)
    parts = [spread(amplitude, waves[None], step, SIDE_PX * OVER, c)[0] for c in _COLOURS]
    return torch.stack(parts).mean(0)


def _from_transfer(transfer: Tensor, pitch_px: float) -> np.ndarray:
    samples = SIDE_PX * OVER
    light = torch.fft.irfft2(transfer, s=(samples, samples))
    return laid_down(*_points(torch.fft.fftshift(light), pitch_px))


def _points(light: Tensor, pitch_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A light distribution (n, n) with its origin at n // 2 as points in pitches and weights."""
    samples = light.shape[-1]
    axis = (np.arange(samples) - samples // 2) / (OVER * pitch_px)
    y, x = np.meshgrid(axis, axis, indexing="ij")
    return np.stack((x.ravel(), y.ravel()), 1), light.numpy().ravel()
