"""From pupil to the light distribution of a star, before the atmosphere, batched in torch.

The pupil (disc, obstruction, vanes, stray bars) with a Zernike phase goes through a matrix
Fourier transform (Soummer et al. 2007, Opt. Express 15, 15935; from memory), which lets the
output grid have any step whatever the pupil's sampling. Zernike terms are Noll's (1976, JOSA 66,
207), coefficients in waves rms.
"""

from functools import lru_cache

import torch
from torch import Tensor

# Noll numbers of the terms kept, in the order of the coefficient vectors.
TERMS = (
    "defocus",
    "astigmatism_45",
    "astigmatism_0",
    "coma_y",
    "coma_x",
    "trefoil_y",
    "trefoil_x",
    "spherical",
)
DEFOCUS, COMA_Y, COMA_X = TERMS.index("defocus"), TERMS.index("coma_y"), TERMS.index("coma_x")
# With its axes along rows and columns, and turned by 45 degrees.
ASTIGMATISM, OBLIQUE_ASTIGMATISM = TERMS.index("astigmatism_0"), TERMS.index("astigmatism_45")


def pupil_axis(samples: int, device: torch.device | str) -> Tensor:
    """(samples,) pupil coordinate in apertures, -0.5 .. 0.5."""
    return (torch.arange(samples, device=device) + 0.5) / samples - 0.5


@lru_cache(maxsize=8)
def zernike_basis(samples: int, device: torch.device | str) -> Tensor:
    """(len(TERMS), samples, samples) Noll-normalised terms on the unit disc."""
    axis = 2 * pupil_axis(samples, device)
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    r2 = x * x + y * y
    root3, root5, root6, root8 = 3**0.5, 5**0.5, 6**0.5, 8**0.5
    return torch.stack(
        (
            root3 * (2 * r2 - 1),
            root6 * 2 * x * y,
            root6 * (x * x - y * y),
            root8 * (3 * r2 - 2) * y,
            root8 * (3 * r2 - 2) * x,
            root8 * (3 * x * x - y * y) * y,
            root8 * (x * x - 3 * y * y) * x,
            root5 * (6 * r2 * r2 - 6 * r2 + 1),
        )
    )


def pupil_amplitude(
    samples: int,
    obstruction: Tensor,
    bar_angle_deg: Tensor,
    bar_width: Tensor,
    bar_offset: Tensor,
    bar_half: Tensor,
) -> Tensor:
    """(B, samples, samples) amplitude of pupils in units of their aperture.

    obstruction: (B,) linear share. Bars: (B, n) angle, width and sideways offset in apertures;
    bar_half 1 keeps only the half of the bar on the positive side (one vane), 0 keeps it whole.
    """
    device = obstruction.device
    axis = pupil_axis(samples, device)
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    radius = (x * x + y * y).sqrt()
    # Edge pixels are covered in part, which keeps rings round at few samples.
    disc = ((0.5 - radius) * samples + 0.5).clamp(0, 1)
    hole = ((radius - obstruction[:, None, None] / 2) * samples + 0.5).clamp(0, 1)
    amplitude = disc * torch.where(obstruction[:, None, None] > 0, hole, torch.ones_like(hole))
    step = 1.0 / samples
    for i in range(bar_angle_deg.shape[1]):
        angle = torch.deg2rad(bar_angle_deg[:, i])[:, None, None]
        across = -x * torch.sin(angle) + y * torch.cos(angle) - bar_offset[:, i, None, None]
        along = x * torch.cos(angle) + y * torch.sin(angle)
        half_width = bar_width[:, i, None, None] / 2
        covered = torch.minimum(across + step / 2, half_width) - torch.maximum(
            across - step / 2, -half_width
        )
        covered = covered.clamp_min(0) / step
        is_half = bar_half[:, i, None, None] > 0.5
        covered = torch.where(is_half & (along < 0), torch.zeros_like(covered), covered)
        amplitude = amplitude * (1 - covered.clamp(0, 1))
    return amplitude


def spread(
    amplitude: Tensor,
    waves: Tensor,
    step: Tensor,
    samples_out: int,
    wavelength_ratio: float | Tensor = 1.0,
) -> Tensor:
    """Light distributions (B, Z, n, n), each of sum 1.

    amplitude: (B, p, p) pupils. waves: (B, Z, len(TERMS)) Zernike coefficients in waves rms at
    the reference wavelength, for Z places in the field. step: (B,) output step in lambda / D at
    the reference wavelength. wavelength_ratio: over the reference, one for all or (B,). Output
    pixel n // 2 is the origin.
    """
    samples = amplitude.shape[-1]
    device = amplitude.device
    ratio = wavelength_ratio
    if not isinstance(ratio, Tensor):
        ratio = torch.full((1,), ratio, device=device)
    ratio = ratio.reshape(-1, 1)
    phase = torch.einsum("bzt,tij->bzij", waves, zernike_basis(samples, device))
    phase = phase * (2 * torch.pi / ratio[..., None, None])
    field = torch.polar(amplitude[:, None].expand_as(phase).contiguous(), phase)
    place = torch.arange(samples_out, device=device) - samples_out // 2
    angle = place[None] * step[:, None] / ratio
    kernel_phase = -2 * torch.pi * angle[:, :, None] * pupil_axis(samples, device)[None, None]
    kernel = torch.polar(torch.ones_like(kernel_phase), kernel_phase)
    image = kernel[:, None] @ field @ kernel.transpose(1, 2)[:, None]
    light = image.real**2 + image.imag**2
    # A pupil of p samples repeats its image every p lambda / D: keep the first copy only.
    inside = (angle.abs() < 0.47 * samples).to(light.dtype)
    light = light * inside[:, None, :, None] * inside[:, None, None, :]
    return light / light.sum((2, 3), keepdim=True).clamp_min(1e-20)


def defocus_waves(blur_um: float, focal_ratio: float, wavelength_nm: float) -> float:
    """Noll defocus in waves rms whose geometric blur has the diameter `blur_um`.

    A focus shift dz blurs to dz / N and puts W020 = dz / (8 N^2) on the pupil's edge, which is
    2 sqrt 3 times the Noll coefficient.
    """
    edge_um = blur_um / (8 * focal_ratio)
    return edge_um * 1000 / wavelength_nm / (2 * 3**0.5)
