"""From pupil to the light distribution of a star, before the atmosphere, batched in torch.

The pupil (disc, obstruction, vanes, stray bars) with a Zernike phase goes through a matrix
Fourier transform (Soummer et al. 2007, Opt. Express 15, 15935; from memory), which lets the
output grid have any step whatever the pupil's sampling. Zernike terms are Noll's (1976, JOSA 66,
207), coefficients in waves rms.
"""

from functools import lru_cache

import torch
from torch import Tensor

from synth.compiled import made

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
    """(len(TERMS), samples, samples) Noll-normalised terms on the unit disc.

    Worked out on the host: the copy waits until all is there, where a table made on one thread's
    stream of a GPU could be read on another's before it is.
    """
    axis = 2 * pupil_axis(samples, "cpu")
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
    ).to(device)


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
    # All bars at once: (B, n, 1, 1) against the grid.
    angle, width, offset, one_half = (
        v[..., None, None]
        for v in (torch.deg2rad(bar_angle_deg), bar_width / 2, bar_offset, bar_half)
    )
    cos, sin = torch.cos(angle), torch.sin(angle)
    across, along = y * cos - x * sin - offset, x * cos + y * sin
    covered = torch.minimum(across + step / 2, width) - torch.maximum(across - step / 2, -width)
    covered = (covered / step).clamp(0, 1) * ((one_half <= 0.5) | (along >= 0))
    return amplitude * (1 - covered).prod(1)


def spread(
    amplitude: Tensor,
    waves: Tensor,
    step: Tensor,
    samples_out: int,
    wavelength_ratio: float | Tensor = 1.0,
    is_fused: bool = False,
) -> Tensor:
    """Light distributions (B, Z, n, n), each of sum 1.

    amplitude: (B, p, p) pupils, p even. waves: (B, Z, len(TERMS)) Zernike coefficients in waves rms
    at the reference wavelength, for Z places in the field. step: (B,) output step in lambda / D at
    the reference wavelength. wavelength_ratio: over the reference, one for all or (B,). Output
    pixel n // 2 is the origin. is_fused: see `synth.compiled`.

    Pupil and picture have an axis each way about zero, so that even and odd parts of the pupil go
    through cosines and sines of one half each: a quarter of the work of complex exponentials.
    """
    frames, places = waves.shape[:2]
    device, half = amplitude.device, amplitude.shape[-1] // 2
    ratio = wavelength_ratio
    if not isinstance(ratio, Tensor):
        ratio = torch.full((1,), ratio, device=device)
    turns = waves * (2 * torch.pi / ratio.reshape(-1, 1, 1))
    phase = (turns.flatten(0, 1) @ _basis_in_quarters(2 * half, device)).view(
        frames, places, 2, 2, half, half
    )
    # As many places out as an even grid has on its longer side, in fours for fast products.
    out = -(-(samples_out // 2 + 1) // 4) * 4
    angle = torch.arange(out, device=device) * (step[:, None] / ratio.reshape(-1, 1))
    turn = 2 * torch.pi * angle[:, :, None] * pupil_axis(2 * half, device)[half:]
    cos, sin = turn.cos(), turn.sin()
    kernels = (cos, cos), (cos, sin), (sin, cos), (sin, sin)
    parts = []
    folded = made(_folded, is_fused)(_in_quarters(amplitude), phase)
    for part, (down, along) in zip(folded, kernels, strict=True):
        columns = (down @ part.flatten(2)).view(frames, -1, half)
        parts.append((columns @ along.transpose(1, 2)).view(frames, out, places, 2, out))
    # A pupil of p samples repeats its image every p lambda / D: keep the first copy only.
    inside = (angle < 0.47 * 2 * half).float()
    return made(_light_of, is_fused)(tuple(parts), inside, samples_out)


def _in_quarters(pupil: Tensor) -> Tensor:
    """(..., p, p) -> (..., 2, 2, p / 2, p / 2): quarters from the middle outwards; of both pairs
    of sides the positive one comes first."""
    half = pupil.shape[-1] // 2
    rows = torch.stack((pupil[..., half:, :], pupil[..., :half, :].flip(-2)), -3)
    return torch.stack((rows[..., half:], rows[..., :half].flip(-1)), -3)


@lru_cache(maxsize=8)
def _basis_in_quarters(samples: int, device: torch.device) -> Tensor:
    """(len(TERMS), samples^2) the terms as `_in_quarters` has them; from the host, as above."""
    return _in_quarters(zernike_basis(samples, "cpu")).flatten(1).to(device)


def _folded(amplitude: Tensor, phase: Tensor) -> tuple[Tensor, ...]:
    """The field's parts even and odd down and along, (B, h, Z, 2, h) each, real and imaginary part
    in the last dimension but one; amplitude (B, 2, 2, h, h), phase (B, Z, 2, 2, h, h)."""
    turned = phase.permute(0, 2, 3, 4, 1, 5)
    field = torch.stack((turned.cos(), turned.sin()), 5) * amplitude[:, :, :, :, None, None]
    upper, lower = field.unbind(1)
    parts = []
    for rows in (upper + lower, upper - lower):
        right, left = rows.unbind(1)
        parts += [right + left, right - left]
    return tuple(parts)


def _light_of(parts: tuple[Tensor, ...], inside: Tensor, side: int) -> Tensor:
    """(B, Z, side, side) light of sum 1.

    parts: (B, m, Z, 2, m) products with cosine or sine down, then along, at places from the middle
    outwards. inside: (B, m) 1 where such a place counts.
    """
    cc, cs, sc, ss = (part.permute(3, 0, 2, 1, 4) for part in parts)
    window = inside[:, None, :, None] * inside[:, None, None, :]

    def power(real: Tensor, imaginary: Tensor) -> Tensor:
        return (real * real + imaginary * imaginary) * window

    same, other = cc - ss, cc + ss
    sums, differences = cs + sc, cs - sc
    # exp(-i (a + b)) = (cos a - i sin a) (cos b - i sin b), and so on for the other signs.
    last, first = side - side // 2, slice(1, side // 2 + 1)
    after = power(same[0] + sums[1], same[1] - sums[0])[..., :last, :last]
    left = power(other[0] - differences[1], other[1] + differences[0])[..., :last, first]
    above = power(other[0] + differences[1], other[1] - differences[0])[..., first, :last]
    before = power(same[0] - sums[1], same[1] + sums[0])[..., first, first]
    light = torch.cat(
        (
            torch.cat((before.flip(-2, -1), above.flip(-2)), -1),
            torch.cat((left.flip(-1), after), -1),
        ),
        -2,
    )
    return light / light.sum((2, 3), keepdim=True).clamp_min(1e-20)


def defocus_waves(blur_um: float, focal_ratio: float, wavelength_nm: float) -> float:
    """Noll defocus in waves rms whose geometric blur has the diameter `blur_um`.

    A focus shift dz blurs to dz / N and puts W020 = dz / (8 N^2) on the pupil's edge, which is
    2 sqrt 3 times the Noll coefficient.
    """
    edge_um = blur_um / (8 * focal_ratio)
    return edge_um * 1000 / wavelength_nm / (2 * 3**0.5)
