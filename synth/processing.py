"""What other software made of a frame before it came to us: reduced, shifted, cut down, squeezed.

    pixels = process(pixels, scenes, physical)

Numbers that a kind needs are drawn from the run's own seed, so all frames of a run were treated
alike. `is_lost` says which faults cannot be told any more from such a file: sky percentages mean
nothing where the level without light is lost.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.vocabulary import FAULTS, INDEX
from synth import shading
from synth.rng import log_uniform, stream, torch_stream

if TYPE_CHECKING:
    from synth.scene import Scene

# How often a run of mono frames comes as what.
KINDS = {
    "raw": 0.55,
    "shifted": 0.06,
    "dark_subtracted": 0.10,
    "flat_fielded": 0.06,
    "sky_subtracted": 0.06,
    "normalised": 0.04,
    "aligned": 0.04,
    "eight_bit": 0.05,
    "picture": 0.04,
}
# The same for colour mosaics; what would mix their four places cannot be among them.
CFA_KINDS = {
    "raw": 0.58,
    "shifted": 0.08,
    "dark_subtracted": 0.09,
    "flat_fielded": 0.04,
    "normalised": 0.03,
    "interpolated": 0.13,
    "picture": 0.05,
}
# Kinds that had a master dark taken off.
REDUCED = ("dark_subtracted", "flat_fielded", "sky_subtracted")
SKY_KEYS = ("gradient", "vignetting", "dust_motes", "reflection", "low_signal")
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


def draw_kind(rng: np.random.Generator, cfa: bool) -> str:
    """What was done to a run's files before we see them: mostly nothing."""
    kinds = CFA_KINDS if cfa else KINDS
    shares = np.array(list(kinds.values()))
    return str(rng.choice(list(kinds), p=shares / shares.sum()))


def process(pixels: Tensor, scenes: "list[Scene]", physical: dict[str, Tensor]) -> Tensor:
    """(B, H, W) ADU as read out -> as in the files; `physical` facts follow suit, in place."""
    for i, scene in enumerate(scenes):
        kind = scene.processing
        if kind == "raw":
            continue
        rng = stream(scene.field_seed, "file")
        if kind in _LEVELS:
            pixels[i] = _LEVELS[kind](pixels[i], scene, rng, _Facts(physical, i))
        elif kind == "eight_bit":
            black, step = eight_bit_levels(scene)
            pixels[i] = ((pixels[i] - black) / step).round().clamp(0, 255)
            _Facts(physical, i).forget()
        elif kind == "picture":
            pixels[i] = _picture(pixels[i], scene, rng)
            _Facts(physical, i).forget()
            physical["is_cfa"][i] = 0.0
        else:
            raise ValueError(f"processing {kind!r} is unknown; use one of {', '.join(KINDS)}")
    return pixels


@dataclass(frozen=True)
class _Facts:
    """The facts of frame i, changed in place."""

    physical: dict[str, Tensor]
    i: int

    def scale(self, factor: float) -> None:
        self.physical["gain_e_adu"][self.i] /= factor
        self.physical["offset_adu"][self.i] *= factor
        self.physical["saturation_adu"][self.i] *= factor

    def lower(self, level_adu: float) -> None:
        self.physical["offset_adu"][self.i] -= level_adu
        self.physical["saturation_adu"][self.i] -= level_adu

    def forget(self, *names: str) -> None:
        names = names or ("gain_e_adu", "read_noise_e", "offset_adu", "saturation_adu")
        for name in names:
            self.physical[name][self.i] = float("nan")


def _shifted(frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts) -> Tensor:
    """A converter of 10 to 14 bits written into the upper bits of 16."""
    factor = 2.0 ** (16 - scene.rig.camera.bits)
    facts.scale(factor)
    return frame * factor


def _dark_subtracted(
    frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts
) -> Tensor:
    """Bias and dark gone: empty pixels scatter about zero, in some files cut off there."""
    camera = scene.rig.camera
    dark_adu = camera.offset_adu + scene.dark_e / camera.gain_e_adu
    pedestal = float(rng.choice([0.0, 0.0, 100.0]))
    facts.lower(dark_adu - pedestal)
    # The dark current went with the bias: no light is the pedestal now.
    facts.physical["offset_adu"][facts.i] = pedestal
    frame = frame - (dark_adu - pedestal)
    # A master of n darks carries their read noise over n.
    noise = camera.read_noise_e / camera.gain_e_adu / rng.integers(5, 40) ** 0.5
    grain = torch_stream(frame.device, scene.field_seed, "dark")
    frame = frame + noise * torch.randn(frame.shape, generator=grain, device=frame.device)
    return frame.round().clamp_min(0) if rng.random() < 0.3 else frame


def _flat_fielded(frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts) -> Tensor:
    """Dark-subtracted, then divided by the run's own flat: even sky, noisier corners."""
    frame = _dark_subtracted(frame, scene, rng, facts)
    level = facts.physical["offset_adu"][facts.i]
    return (frame - level) / flat_of(scene, frame.device) + level


def flat_of(scene: "Scene", device: torch.device | str) -> Tensor:
    """(H, W) transmission that the run's flat holds, 1 on the axis."""
    if scene.flat is None:
        return torch.ones(scene.height_px, scene.width_px, device=device)
    x = torch.arange(0, scene.width_px + 8, 8, device=device, dtype=torch.float32)
    y = torch.arange(0, scene.height_px + 8, 8, device=device, dtype=torch.float32)
    coarse = shading.vignetting_map([scene.flat], x, y)[:, None]
    size = (8 * (len(y) - 1) + 1, 8 * (len(x) - 1) + 1)
    fine = F.interpolate(coarse, size, mode="bilinear", align_corners=True)[0, 0]
    return fine[: scene.height_px, : scene.width_px].clamp_min(0.05)


def _sky_subtracted(
    frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts
) -> Tensor:
    """Reduced to floats about zero: the sky is gone, half of the empty pixels are negative."""
    frame = _flat_fielded(frame, scene, rng, facts)
    frame = frame - frame[::7, ::7].median()
    facts.forget("offset_adu", "saturation_adu", "read_noise_e")
    scale = log_uniform(rng, 1e-3, 3.0) if rng.random() < 0.5 else 1.0
    facts.scale(scale)
    if rng.random() < 0.5:
        facts.forget()
    return frame * scale


def _normalised(frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts) -> Tensor:
    """Numbers from 0 to 1, or per second: all levels times one factor."""
    scale = log_uniform(rng, 1e-5, 5.0)
    facts.scale(scale)
    return frame * scale


def _aligned(frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts) -> Tensor:
    """Shifted onto another frame by a part of a pixel: correlated noise, an empty border."""
    right, down = (float(v) for v in rng.uniform(0.1, 0.9, 2))
    frame = (1 - right) * frame + right * frame.roll(1, 1)
    frame = (1 - down) * frame + down * frame.roll(1, 0)
    fill = float(rng.choice([0.0, 1.0])) * float(frame[::7, ::7].median())
    left, top = (int(log_uniform(rng, 1, 25)) for _ in range(2))
    if rng.random() < 0.5:
        frame[:, :left] = fill
    else:
        frame[:, -left:] = fill
    if rng.random() < 0.5:
        frame[:top] = fill
    else:
        frame[-top:] = fill
    return frame


def _interpolated(frame: Tensor, scene: "Scene", rng: np.random.Generator, facts: _Facts) -> Tensor:
    """Mean of the three colours after bilinear interpolation of the mosaic."""
    facts.physical["is_cfa"][facts.i] = 0.0
    return luminance(frame, scene.rig.camera.cfa or "RGGB")


_LEVELS = {
    "shifted": _shifted,
    "dark_subtracted": _dark_subtracted,
    "flat_fielded": _flat_fielded,
    "sky_subtracted": _sky_subtracted,
    "normalised": _normalised,
    "aligned": _aligned,
    "interpolated": _interpolated,
}


def luminance(frame: Tensor, cfa: str) -> Tensor:
    """Mean of the three colours after bilinear interpolation of a mosaic, (H, W) -> (H, W).

    `cfa` names the colours of the first 2 x 2 pixels in reading order.
    """
    height, width = frame.shape
    tent = torch.tensor([1.0, 2.0, 1.0], device=frame.device)
    cross = torch.tensor([[0.0, 1, 0], [1, 4, 1], [0, 1, 0]], device=frame.device) / 4
    kernels = {"R": tent[:, None] * tent / 4, "G": cross, "B": tent[:, None] * tent / 4}
    kernel = torch.stack([kernels[colour] for colour in "RGB"])[:, None]
    four = torch.tensor([[float(c == colour) for c in cfa] for colour in "RGB"])
    places = four.reshape(3, 2, 2).to(frame.device)
    places = places.repeat(1, -(-height // 2), -(-width // 2))[:, :height, :width]
    # Mirrored about the edge pixel, a place keeps its colour.
    planes = F.pad((frame * places)[None], (1, 1, 1, 1), mode="reflect")
    return F.conv2d(planes, kernel, groups=3)[0].mean(0)


def _sky_adu(scene: "Scene") -> float:
    return (scene.sky_e + scene.dark_e) / scene.rig.camera.gain_e_adu


def eight_bit_levels(scene: "Scene") -> tuple[float, float]:
    """(level that becomes 0, ADU per step) of a run cut down to 8 bits without a curve."""
    rng = stream(scene.field_seed, "eight bit")
    camera = scene.rig.camera
    sky_adu, noise_adu = _sky_adu(scene), scene.noise_e / camera.gain_e_adu
    step = noise_adu / rng.uniform(0.7, 4.0)
    if rng.random() < 0.5:
        black = -rng.uniform(0, 10) * step
    else:  # the black point set up into the sky, as live pictures have it
        black = rng.uniform(0.2, 0.7) * max(0.0, sky_adu - 2 * noise_adu)
    # The sky must not fill the range, however deep the sub.
    step = max(step, (sky_adu - black) / rng.uniform(20, 120))
    return camera.offset_adu + black, float(step)


def picture_levels(scene: "Scene") -> tuple[float, float]:
    """(level that becomes 0, ADU that become 255) of a run stored as pictures with a curve."""
    rng = stream(scene.field_seed, "picture")
    camera = scene.rig.camera
    sky_adu, noise_adu = _sky_adu(scene), scene.noise_e / camera.gain_e_adu
    sky_dn, noise_dn = rng.uniform(8, 90), log_uniform(rng, 0.8, 4.0)
    # dn ~ light^(1 / 2.2): a relative step in light is 1 / 2.2 of it in dn.
    above = float(np.clip(sky_dn * noise_adu / (2.2 * noise_dn), 0.2 * sky_adu, sky_adu))
    return camera.offset_adu + sky_adu - above, above / (sky_dn / 255) ** 2.2


def _picture(frame: Tensor, scene: "Scene", rng: np.random.Generator) -> Tensor:
    """An 8-bit picture with the usual curve of screens, most of them compressed in blocks."""
    if scene.rig.camera.cfa is not None:
        frame = luminance(frame, scene.rig.camera.cfa)
    black, span = picture_levels(scene)
    frame = 255 * ((frame - black) / span).clamp(0, 1) ** (1 / 2.2)
    if rng.random() < 0.8:
        frame = compressed(frame, float(rng.uniform(75, 98)))
    return frame.round().clamp(0, 255)


def compressed(frame: Tensor, quality: float) -> Tensor:
    """(H, W) picture of 0 to 255 -> what is left of it after a baseline block coder.

    Cosine transform of 8 x 8 blocks, rounded to multiples of the table of ITU-T T.81, K.1, scaled
    by quality 50 to 100 in the customary way (common practice).
    """
    height, width = frame.shape
    padded = F.pad(frame[None, None], (0, -width % 8, 0, -height % 8), mode="replicate")[0, 0]
    k = torch.arange(8, device=frame.device, dtype=torch.float32)
    basis = torch.cos(torch.pi * (2 * k[None] + 1) * k[:, None] / 16) / 2
    basis[0] /= 2**0.5
    table = torch.tensor(_QUANTISATION, device=frame.device, dtype=torch.float32)
    table = (table * (2 - quality / 50) + 0.5).floor().clamp_min(1)
    rows, columns = padded.shape[0] // 8, padded.shape[1] // 8
    blocks = (padded - 128).reshape(rows, 8, columns, 8).transpose(1, 2)
    kept = ((basis @ blocks @ basis.T) / table).round() * table
    back = (basis.T @ kept @ basis).transpose(1, 2).reshape(padded.shape)
    return back[:height, :width] + 128


def contrast(scene: "Scene") -> float:
    """By how much the file's sky percentages exceed the true ones, the offset being lost."""
    sky_adu, offset = _sky_adu(scene), scene.rig.camera.offset_adu
    if scene.processing == "eight_bit":
        return sky_adu / max(offset + sky_adu - eight_bit_levels(scene)[0], 1e-9)
    if scene.processing == "picture":
        return sky_adu / max(offset + sky_adu - picture_levels(scene)[0], 1e-9) / 2.2
    return 1.0


def is_lost(scene: "Scene", key: str, strength: float) -> bool:
    """Whether a file treated like this hides a fault of that strength, or feigns one.

    Where the level without light is lost, a mild clean slope may look like a fault: such a
    frame is neither.
    """
    fault = FAULTS[INDEX[key]]
    if fault.target(strength) > 0:
        return key in _hidden(scene)
    gain = contrast(scene)
    return key in ("gradient", "vignetting") and gain > 1 and fault.target(gain * strength) > 0


def _hidden(scene: "Scene") -> tuple[str, ...]:
    if scene.processing == "sky_subtracted":
        return SKY_KEYS
    if scene.processing in ("eight_bit", "picture"):
        lost = SKY_KEYS if contrast(scene) > 1.3 else ()
        return (*lost, "bayer_grid") if scene.processing == "picture" else lost
    return ("bayer_grid",) if scene.processing == "interpolated" else ()
