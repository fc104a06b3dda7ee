"""Frames stored as 8-bit pictures: what levels, noise filters and block coders make of them.

    frames = cut_down(frames, scenes)       8 bits without a curve, as star cameras write them
    frames = developed(frames, scenes)      the usual curve of screens, as cameras develop pictures

All numbers of a run come from its own seed. `contrast` and `signal_kept` say what that does to
percentages of the sky and to what stands out of the noise, so that labels stay true.
"""

from dataclasses import dataclass
from math import erf, exp, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth.rng import log_uniform, stream
from synth.transfer import moved

if TYPE_CHECKING:
    from synth.scene import Scene

PICTURES = ("eight_bit", "picture")
TOP = 255.0
# Table K.1 of ITU-T T.81 (1992): luminance quantisation of the baseline still-picture coder.
_QUANTISATION = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
# Mean of the nine lowest frequencies' entries: where the light of stars and trails lies.
_LOW_STEP = float(np.mean([row[:3] for row in _QUANTISATION[:3]]))


@dataclass(frozen=True)
class Handling:
    """What a camera does to a run's pictures after their levels are set.

    quality: of the block coder, None = not coded. scales: of the noise filter, 0 = none; it takes
    `threshold` sigma off what is finer than each. sharpening: share of the fine light added again.
    """

    quality: float | None
    scales: int
    threshold: float
    sharpening: float


def handling(scene: "Scene") -> Handling:
    """How a run's pictures are handled: star cameras' plain ones less, developed ones more."""
    rng = stream(scene.field_seed, "handling")
    is_developed = scene.processing == "picture"
    coded, filtered, sharp = rng.random(3) < ((0.85, 0.4, 0.3) if is_developed else (0.5, 0.1, 0.1))
    quality = float(rng.uniform(85, 98)) if rng.random() < 0.75 else float(rng.uniform(72, 85))
    scales, threshold = int(rng.integers(1, 3)), float(rng.uniform(0.5, 2.5))
    sharpening = float(rng.uniform(0.2, 1.0))
    return Handling(
        quality if coded else None,
        scales if filtered else 0,
        threshold,
        sharpening if sharp else 0.0,
    )


def cut_down(frames: Tensor, scenes: "list[Scene]") -> Tensor:
    """(b, H, W) ADU of one run -> whole numbers up to 255, without a curve."""
    black, step = _columns([eight_bit_levels(scene) for scene in scenes], frames.device)
    return _finished(((frames - black) / step).round().clamp(0, TOP), scenes[0])


def developed(frames: Tensor, scenes: "list[Scene]") -> Tensor:
    """(b, H, W) ADU of one run -> whole numbers up to 255 behind the curve of screens."""
    black, span = _columns([picture_levels(scene) for scene in scenes], frames.device)
    return _finished(TOP * ((frames - black) / span).clamp(0, 1) ** (1 / 2.2), scenes[0])


def _finished(frames: Tensor, scene: "Scene") -> Tensor:
    how = handling(scene)
    if how.scales:
        frames = quietened(frames, how.scales, how.threshold)
    if how.sharpening:
        frames = frames + how.sharpening * (frames - blurred(blurred(frames, 1), 1))
    if how.quality is not None:
        frames = compressed(frames.clamp(0, TOP), how.quality)
    return frames.round().clamp(0, TOP)


def is_burnt_out(frames: Tensor) -> Tensor:
    """(b, H, W) -> (b,) on the host: whether three pixels or more are at the top, so that whoever
    reads the file sees where it is clipped."""
    return ((frames >= TOP).sum((1, 2)) >= 3).cpu()


def _columns(rows: list[tuple[float, float]], device: torch.device) -> tuple[Tensor, ...]:
    """Two numbers of each frame as (b, 1, 1) tensors."""
    return moved(np.array(rows, np.float32), device)[:, :, None, None].unbind(1)


def blurred(frames: Tensor, spacing: int) -> Tensor:
    """(b, H, W) -> the same by binomial weights 1, 2, 1 of pixels that far apart, both ways."""
    pad = (spacing,) * 4
    wide = F.pad(frames[:, None], pad, mode="replicate")[:, 0]
    wide = (wide[:, : -2 * spacing] + wide[:, 2 * spacing :]) / 4 + wide[:, spacing:-spacing] / 2
    sides = wide[..., : -2 * spacing] + wide[..., 2 * spacing :]
    return sides / 4 + wide[..., spacing:-spacing] / 2


def quietened(frames: Tensor, scales: int, threshold: float) -> Tensor:
    """(b, H, W) with less noise: from what each scale is finer than the next, `threshold` of its
    sigma is taken off, and what is less goes (soft thresholds: Donoho 1995, IEEE Trans. Inf.
    Theory 41, 613; scales with holes: Starck & Murtagh 1994, A&A 288, 342)."""
    rest, kept = frames, torch.zeros_like(frames)
    for scale in range(scales):
        coarser = blurred(rest, 2**scale)
        fine = rest - coarser
        # 1.4826: MAD to sigma.
        sigma = 1.4826 * fine[:, ::7, ::7].abs().flatten(1).median(1).values
        fine = fine.sign() * (fine.abs() - threshold * sigma[:, None, None]).clamp_min(0)
        rest, kept = coarser, kept + fine
    return rest + kept


def compressed(frames: Tensor, quality: float) -> Tensor:
    """(..., H, W) pictures of 0 to 255 -> what is left of them after a baseline block coder.

    Cosine transform of 8 x 8 blocks, rounded to multiples of the table of ITU-T T.81, K.1, scaled
    by quality 50 to 100 in the customary way (common practice).
    """
    height, width = frames.shape[-2:]
    flat = frames.reshape(-1, 1, height, width)
    padded = F.pad(flat, (0, -width % 8, 0, -height % 8), mode="replicate")[:, 0]
    k = torch.arange(8, device=frames.device, dtype=torch.float32)
    basis = torch.cos(torch.pi * (2 * k[None] + 1) * k[:, None] / 16) / 2
    basis[0] /= 2**0.5
    table = moved(np.array(_QUANTISATION, np.float32), frames.device)
    table = (table * _table_scale(quality) + 0.5).floor().clamp_min(1)
    rows, columns = padded.shape[1] // 8, padded.shape[2] // 8
    blocks = (padded - 128).reshape(-1, rows, 8, columns, 8).transpose(2, 3)
    kept = ((basis @ blocks @ basis.T) / table).round() * table
    back = (basis.T @ kept @ basis).transpose(2, 3).reshape(padded.shape)
    return (back[:, :height, :width] + 128).reshape(frames.shape)


def _table_scale(quality: float) -> float:
    return 2 - quality / 50


def _sky_adu(scene: "Scene") -> float:
    return (scene.sky_e + scene.dark_e) / scene.rig.camera.gain_e_adu


def _noise_adu(scene: "Scene") -> float:
    return scene.noise_e / scene.rig.camera.gain_e_adu


def eight_bit_levels(scene: "Scene") -> tuple[float, float]:
    """(level that becomes 0, ADU per step) of a run cut down to 8 bits without a curve."""
    rng = stream(scene.field_seed, "eight bit")
    sky_adu, noise_adu = _sky_adu(scene), _noise_adu(scene)
    step = noise_adu / rng.uniform(0.7, 4.0)
    kind = rng.random()
    if kind < 0.4:
        black = -rng.uniform(0, 10) * step
    elif kind < 0.7:  # the black point set up into the sky, as live pictures have it
        black = rng.uniform(0.2, 0.7) * max(0.0, sky_adu - 2 * noise_adu)
    else:  # up into its noise, as an offset set too low has it: a part of the pixels are 0
        black = sky_adu - rng.uniform(0.0, 2.5) * noise_adu
    # The sky must not fill the range, however deep the sub, nor its noise fall under a step.
    black = max(black, sky_adu - 60 * noise_adu)
    step = max(step, (sky_adu - black) / rng.uniform(45, 120))
    return scene.rig.camera.offset_adu + black, float(step)


def picture_levels(scene: "Scene") -> tuple[float, float]:
    """(level that becomes 0, ADU that become 255) of a run stored as pictures with a curve."""
    rng = stream(scene.field_seed, "picture")
    sky_adu, noise_adu = _sky_adu(scene), _noise_adu(scene)
    sky_dn, noise_dn = rng.uniform(8, 90), log_uniform(rng, 1.2, 4.0)
    # dn ~ light^(1 / 2.2): a relative step in light is 1 / 2.2 of it in dn.
    above = sky_dn * noise_adu / (2.2 * noise_dn)
    # The whole sky would be natural, but must not bury its noise under the steps.
    deepest = sky_dn * noise_adu / (2.2 * 1.1)
    above = float(np.clip(above, min(0.2 * sky_adu, deepest), sky_adu))
    return scene.rig.camera.offset_adu + sky_adu - above, above / (sky_dn / TOP) ** 2.2


def contrast(scene: "Scene") -> float:
    """By how much the file's sky percentages exceed the true ones, the offset being lost."""
    sky_adu, offset = _sky_adu(scene), scene.rig.camera.offset_adu
    if scene.processing == "eight_bit":
        return sky_adu / max(offset + sky_adu - eight_bit_levels(scene)[0], 1e-9)
    if scene.processing == "picture":
        return sky_adu / max(offset + sky_adu - picture_levels(scene)[0], 1e-9) / 2.2
    return 1.0


def signal_kept(scene: "Scene") -> float:
    """Share of a faint thing's signal to noise that the picture has left, 1 where it is none.

    Rounding to a step adds step^2 / 12 to the variance (uniform error: Bennett 1948, Bell Syst.
    Tech. J. 27, 446), of pixels as of the block coder's coefficients, whose transform is
    orthonormal; cutting the noise off at 0 takes of the signal and of the noise (`_cut_off`).
    """
    if scene.processing not in PICTURES:
        return 1.0
    noise_adu, sky_adu = _noise_adu(scene), _sky_adu(scene)
    if scene.processing == "eight_bit":
        black, step = eight_bit_levels(scene)
        sigma_dn = noise_adu / step
    else:
        black, span = picture_levels(scene)
        above = scene.rig.camera.offset_adu + sky_adu - black
        sigma_dn = noise_adu / above * TOP * (above / span) ** (1 / 2.2) / 2.2
    quality = handling(scene).quality
    coder = 0.0 if quality is None else max(1.0, _LOW_STEP * _table_scale(quality))
    left = sigma_dn / sqrt(sigma_dn**2 + (1 + coder**2) / 12)
    return left * _cut_off((scene.rig.camera.offset_adu + sky_adu - black) / noise_adu)


def _cut_off(level: float) -> float:
    """Share of the S/N left where a sky `level` sigma above 0 is cut off at 0: of a Gaussian z,
    max(z + k, 0) has the mean m = k F + f, grows by F per unit of k and has the mean square
    (1 + k^2) F + k f, with the normal density f and its integral F at k."""
    if level > 6:
        return 1.0
    below = 0.5 * (1 + erf(level / sqrt(2)))
    density = exp(-(level**2) / 2) / sqrt(2 * pi)
    variance = (1 + level**2) * below + level * density - (level * below + density) ** 2
    return below / sqrt(variance)
