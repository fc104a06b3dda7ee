"""What one star looks like on the sensor: optics, seeing, halo, pointing path and pixel, batched.

Light distributions are made on a grid finer than the pixels; the transfer functions of the
atmosphere, the halo, the path and the square pixel multiply their Fourier transform; the result
is kept for every sub-pixel phase, ready to be laid down by `expose`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from synth.atmosphere import halo_otf, von_karman_otf
from synth.optics import pupil_amplitude, spread
from synth.tracking import path_otf


@dataclass(frozen=True)
class Pupil:
    """Pupils of B frames: see `optics.pupil_amplitude`; lambda_over_d_px is (B,) in pixels.

    bandwidth: (B,) width of the filter over its wavelength; None for light of one wavelength.
    """

    obstruction: Tensor
    bar_angle_deg: Tensor
    bar_width: Tensor
    bar_offset: Tensor
    bar_half: Tensor
    lambda_over_d_px: Tensor
    bandwidth: Tensor | None = None

    def colours(self, parts: int) -> Tensor:
        """(B, parts) wavelengths over the reference, at the middles of equal parts of the band."""
        middles = (torch.arange(parts, device=self.obstruction.device) + 0.5) / parts - 0.5
        width = torch.zeros_like(self.obstruction) if self.bandwidth is None else self.bandwidth
        return 1 + width[:, None] * middles

    def amplitude(self, samples: int) -> Tensor:
        return pupil_amplitude(
            samples,
            self.obstruction,
            self.bar_angle_deg,
            self.bar_width,
            self.bar_offset,
            self.bar_half,
        )


@dataclass(frozen=True)
class Blur:
    """Per frame (B,) or per frame and place (B, Z): what blurs a star besides diffraction.

    waves: (B, Z, terms) Zernike coefficients, waves rms; of frames that share their optics once,
    see `star_light`. seeing_px: (B, Z) FWHM. halo_px, halo_share: (B,) or (B, Z). paths: (B, Z, K,
    2) px; None for a telescope that stands still. r0_over_outer: as halo_px; None for air without
    an outer scale. Z is 1 where all places of a frame are blurred alike.
    """

    waves: Tensor
    seeing_px: Tensor
    halo_px: Tensor
    halo_share: Tensor
    paths: Tensor | None
    r0_over_outer: Tensor | None = None


def star_light(
    pupil: Pupil,
    blur: Blur,
    side: int,
    over: int,
    pupil_samples: int,
    colours: Sequence[float | Tensor],
    optics: Tensor | None = None,
    turned: tuple[Tensor, Tensor] | None = None,
) -> Tensor:
    """Light per fine-grid point times over^2: (B, Z, side * over, side * over).

    The square pixel is already in it: sampling every `over` points gives pixel values of a star
    of one electron. `colours` are wavelengths over the reference, each a number or (B,), averaged:
    spikes and rings smear over a filter's band. optics: (B,) which of the pupils, waves and colours
    belong to a frame, where frames share them; None: each has its own. turned: numbers of frames
    (T,) whose field turns, and their paths (T, Z, K, 2) beside those of `blur`.
    """
    amplitude = pupil.amplitude(pupil_samples)
    light = optical_light(pupil, amplitude, blur.waves, side, over, colours)
    spectrum = torch.fft.rfft2(light)
    if optics is not None:
        spectrum = spectrum.index_select(0, optics)
    spectrum *= blur_otf(blur, side, over)
    if turned is not None:
        frames, paths = turned
        spectrum[frames] *= path_otf(paths, *_frequencies(side, over, light.device))
    return torch.fft.irfft2(spectrum, s=light.shape[-2:]).clamp_min_(0).mul_(over**2)


def optical_light(
    pupil: Pupil,
    amplitude: Tensor,
    waves: Tensor,
    side: int,
    over: int,
    colours: Sequence[float | Tensor],
    is_fused: bool = False,
) -> Tensor:
    """Light of the optics alone, of sum 1, for waves (B, Z, terms): (B, Z, side * over, ...).

    amplitude: what `pupil.amplitude` gives. is_fused: see `synth.compiled`.
    """
    step = 1.0 / (over * pupil.lambda_over_d_px)
    each = (spread(amplitude, waves, step, side * over, ratio, is_fused) for ratio in colours)
    first = next(each)
    return sum(each, first) / len(colours) if len(colours) > 1 else first


def blur_otf(blur: Blur, side: int, over: int) -> Tensor:
    """What all blur but the optics leaves of every frequency, (B, Z, n, n / 2 + 1) for grids of
    n = side * over points. Z is 1 where seeing and paths are given for one place."""
    fx, fy = _frequencies(side, over, blur.seeing_px.device)
    frequency = (fx[None] ** 2 + fy[:, None] ** 2).sqrt()
    each = (len(blur.seeing_px), -1, 1, 1)
    outer = blur.r0_over_outer
    outer = blur.halo_px.new_zeros(each[0]) if outer is None else outer
    transfer = von_karman_otf(frequency, blur.seeing_px[..., None, None], outer.reshape(each))
    halo = halo_otf(frequency, blur.halo_px.reshape(each), blur.halo_share.reshape(each))
    pixel = torch.sinc(fx)[None] * torch.sinc(fy)[:, None]
    # Undersampled stars have detail finer than the grid: cut off by the square of the spectrum it
    # would ring along rows and columns, a cross that looks like spikes. A soft round end does not.
    end = torch.exp(-3 * (frequency / (0.5 * over)) ** 6)
    still = transfer * halo * (pixel * end)
    return still if blur.paths is None else still * path_otf(blur.paths, fx, fy)


def _frequencies(side: int, over: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Frequencies of the half spectrum of a grid, cycles/px: along its rows and its columns."""
    samples = side * over
    along = torch.fft.rfftfreq(samples, 1 / over, device=device)
    return along, torch.fft.fftfreq(samples, 1 / over, device=device)


def blurred(light: Tensor, otf: Tensor) -> Tensor:
    """Light (B, Z, n, n) through a transfer function of `blur_otf`; slightly negative here and
    there."""
    return torch.fft.irfft2(torch.fft.rfft2(light).mul_(otf), s=light.shape[-2:])


def phase_stamps(light: Tensor, over: int) -> Tensor:
    """(B, Z, n, n) fine light -> (B, Z, over^2, side, side) pixel stamps for every phase.

    Phase a + over * b is for a star a / over px right of and b / over px below a pixel centre;
    that pixel is number side // 2 of the stamp. The rim fades to zero so that no square shows.
    """
    frames, zones, samples, _ = light.shape
    side = samples // over
    fine = light.view(frames, zones, side, over, side, over).permute(0, 1, 3, 5, 2, 4)
    back = (-torch.arange(over, device=light.device)) % over
    stamps = fine[:, :, back][:, :, :, back]
    # A star that lies right of a pixel centre is sampled left of its own: from the pixel before.
    stamps[:, :, 1:] = stamps[:, :, 1:].roll(1, -2)
    stamps[:, :, :, 1:] = stamps[:, :, :, 1:].roll(1, -1)
    axis = torch.arange(side, device=light.device) - side // 2
    return stamps.flatten(2, 3) * fading(axis, side)


def fading(axis: Tensor, side: int) -> Tensor:
    """(n, n) factors by which stamps of `side` px fade, at distances `axis` (n,) from their middle,
    px."""
    radius = (axis[:, None] ** 2 + axis[None] ** 2).float().sqrt()
    fade = ((side // 2 - radius) / (0.2 * side // 2)).clamp(0, 1)
    return fade * fade * (3 - 2 * fade)


def half_flux_radius_px(light: Tensor, over: int) -> Tensor:
    """(..., n, n) fine light -> radius in px of the circle about the centroid with half of it."""
    samples = light.shape[-1]
    axis = (torch.arange(samples, device=light.device) - samples // 2).float() / over
    total = light.sum((-1, -2)).clamp_min(1e-12)
    cx = (light.sum(-2) * axis).sum(-1) / total
    cy = (light.sum(-1) * axis).sum(-1) / total
    dx, dy = axis - cx[..., None], axis - cy[..., None]
    radius = (dy[..., :, None] ** 2 + dx[..., None, :] ** 2).sqrt().flatten(-2)
    edges = torch.arange(0.0, samples / over / 2, 0.5 / over, device=light.device)
    ring = (radius / (0.5 / over)).long().clamp_max(len(edges) - 1)
    sums = torch.zeros(*ring.shape[:-1], len(edges), device=light.device)
    sums.scatter_add_(-1, ring, light.flatten(-2))
    inside = sums.cumsum(-1) / total[..., None]
    above = (inside >= 0.5).float().argmax(-1, keepdim=True)
    low = torch.where(above > 0, inside.gather(-1, (above - 1).clamp_min(0)), 0 * inside[..., :1])
    part = (0.5 - low) / (inside.gather(-1, above) - low).clamp_min(1e-9)
    return ((above + part) * 0.5 / over)[..., 0]


def fwhm_px(light: Tensor, over: int) -> Tensor:
    """(..., n, n) fine light -> diameter in px of the area above half of the maximum."""
    peak = light.amax((-1, -2), keepdim=True)
    area = (light >= 0.5 * peak).float().sum((-1, -2)) / over**2
    return 2 * (area / torch.pi).sqrt()
