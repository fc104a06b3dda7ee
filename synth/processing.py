"""What other software made of a frame before it came to us: reduced, shifted, cut down, squeezed.

    pixels = process(pixels, scenes, physical)

Numbers that a kind needs are drawn from the run's own seed, so all frames of a run were treated
alike. `is_lost` says which faults cannot be told any more from such a file: sky percentages mean
nothing where the level without light is lost.
"""

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.vocabulary import FAULTS, INDEX
from synth import shading
from synth.rng import log_uniform, stream, torch_stream
from synth.transfer import moved

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
_AT_ONCE_PX = 1 << 26  # of frames whose colours are mixed together: bounds the memory
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
    """(B, H, W) ADU as read out -> as in the files; `physical` facts follow suit, in place.

    Facts may lie on the host while pixels lie on a device.
    """
    stop = 0
    for part, group in groupby(scenes, _treatment):
        some = list(group)
        start, stop = stop, stop + len(some)
        if part[0] == "raw":
            continue
        if part[0] not in _TREAT:
            raise ValueError(f"processing {part[0]!r} is unknown; use one of {', '.join(KINDS)}")
        frames = slice(start, stop)
        run = _Run(some, stream(some[0].field_seed, "file"), physical, frames)
        pixels[frames] = _TREAT[part[0]](pixels[frames], run)
    return pixels


def _treatment(scene: "Scene") -> tuple:
    """What neighbouring frames must have in common to be treated in one go."""
    return (scene.processing, scene.field_seed, scene.rig.camera, scene.dark_e, scene.flat)


@dataclass(frozen=True)
class _Run:
    """Neighbouring frames that are treated alike; their facts are changed in place."""

    scenes: "list[Scene]"
    rng: np.random.Generator
    physical: dict[str, Tensor]
    frames: slice

    def scale(self, factor: float) -> None:
        self.physical["gain_e_adu"][self.frames] /= factor
        self.physical["offset_adu"][self.frames] *= factor
        self.physical["saturation_adu"][self.frames] *= factor

    def lower(self, level_adu: float) -> None:
        self.physical["offset_adu"][self.frames] -= level_adu
        self.physical["saturation_adu"][self.frames] -= level_adu

    def put(self, name: str, value: float) -> None:
        self.physical[name][self.frames] = value

    def forget(self, *names: str) -> None:
        names = names or ("gain_e_adu", "read_noise_e", "offset_adu", "saturation_adu")
        for name in names:
            self.put(name, float("nan"))


def _shifted(frames: Tensor, run: _Run) -> Tensor:
    """A converter of 10 to 14 bits written into the upper bits of 16."""
    factor = 2.0 ** (16 - run.scenes[0].rig.camera.bits)
    run.scale(factor)
    return frames * factor


def _dark_subtracted(frames: Tensor, run: _Run) -> Tensor:
    """Bias and dark gone: empty pixels scatter about zero, in some files cut off there."""
    return _less_dark(frames, run)[0]


def _less_dark(frames: Tensor, run: _Run) -> tuple[Tensor, float]:
    """Frames without bias and dark, and their level without light."""
    scene = run.scenes[0]
    camera = scene.rig.camera
    dark_adu = camera.offset_adu + scene.dark_e / camera.gain_e_adu
    pedestal = float(run.rng.choice([0.0, 0.0, 100.0]))
    run.lower(dark_adu - pedestal)
    # The dark current went with the bias: no light is the pedestal now.
    run.put("offset_adu", pedestal)
    frames = frames - (dark_adu - pedestal)
    # A master of n darks carries their read noise over n.
    noise = camera.read_noise_e / camera.gain_e_adu / run.rng.integers(5, 40) ** 0.5
    grain = torch_stream(frames.device, scene.field_seed, "dark")
    master = torch.randn(frames.shape[1:], generator=grain, device=frames.device)
    frames = frames + noise * master
    return (frames.round().clamp_min(0) if run.rng.random() < 0.3 else frames), pedestal


def _flat_fielded(frames: Tensor, run: _Run) -> Tensor:
    """Dark-subtracted, then divided by the run's own flat: even sky, noisier corners."""
    frames, level = _less_dark(frames, run)
    return (frames - level) / flat_of(run.scenes[0], frames.device) + level


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


def _sky(frames: Tensor) -> Tensor:
    """(b, 1, 1) medians."""
    return frames[:, ::7, ::7].flatten(1).median(1).values[:, None, None]


def _sky_subtracted(frames: Tensor, run: _Run) -> Tensor:
    """Reduced to floats about zero: the sky is gone, half of the empty pixels are negative."""
    frames = _flat_fielded(frames, run)
    frames = frames - _sky(frames)
    run.forget("offset_adu", "saturation_adu", "read_noise_e")
    scale = log_uniform(run.rng, 1e-3, 3.0) if run.rng.random() < 0.5 else 1.0
    run.scale(scale)
    if run.rng.random() < 0.5:
        run.forget()
    return frames * scale


def _normalised(frames: Tensor, run: _Run) -> Tensor:
    """Numbers from 0 to 1, or per second: all levels times one factor."""
    scale = log_uniform(run.rng, 1e-5, 5.0)
    run.scale(scale)
    return frames * scale


def _aligned(frames: Tensor, run: _Run) -> Tensor:
    """Shifted onto another frame by a part of a pixel: correlated noise, an empty border."""
    right, down = (float(v) for v in run.rng.uniform(0.1, 0.9, 2))
    frames = (1 - right) * frames + right * frames.roll(1, 2)
    frames = (1 - down) * frames + down * frames.roll(1, 1)
    fill = float(run.rng.choice([0.0, 1.0])) * _sky(frames)
    left, top = (int(log_uniform(run.rng, 1, 25)) for _ in range(2))
    if run.rng.random() < 0.5:
        frames[:, :, :left] = fill
    else:
        frames[:, :, -left:] = fill
    if run.rng.random() < 0.5:
        frames[:, :top] = fill
    else:
        frames[:, -top:] = fill
    return frames


def _interpolated(frames: Tensor, run: _Run) -> Tensor:
    """Mean of the three colours after bilinear interpolation of the mosaic."""
    run.put("is_cfa", 0.0)
    return luminance(frames, run.scenes[0].rig.camera.cfa or "RGGB")


def _eight_bit(frames: Tensor, run: _Run) -> Tensor:
    """Cut down to 8 bits without a curve."""
    run.forget()
    black, step = _columns([eight_bit_levels(scene) for scene in run.scenes], frames.device)
    return ((frames - black) / step).round().clamp(0, 255)


def _picture(frames: Tensor, run: _Run) -> Tensor:
    """An 8-bit picture with the usual curve of screens, most of them compressed in blocks."""
    run.forget()
    run.put("is_cfa", 0.0)
    cfa = run.scenes[0].rig.camera.cfa
    if cfa is not None:
        frames = luminance(frames, cfa)
    black, span = _columns([picture_levels(scene) for scene in run.scenes], frames.device)
    frames = 255 * ((frames - black) / span).clamp(0, 1) ** (1 / 2.2)
    if run.rng.random() < 0.8:
        frames = compressed(frames, float(run.rng.uniform(75, 98)))
    return frames.round().clamp(0, 255)


def _columns(rows: list[tuple[float, float]], device: torch.device) -> tuple[Tensor, ...]:
    """Two numbers of each frame as (b, 1, 1) tensors."""
    return moved(np.array(rows, np.float32), device)[:, :, None, None].unbind(1)


_TREAT = {
    "shifted": _shifted,
    "dark_subtracted": _dark_subtracted,
    "flat_fielded": _flat_fielded,
    "sky_subtracted": _sky_subtracted,
    "normalised": _normalised,
    "aligned": _aligned,
    "interpolated": _interpolated,
    "eight_bit": _eight_bit,
    "picture": _picture,
}


def luminance(frames: Tensor, cfa: str) -> Tensor:
    """Mean of the three colours after bilinear interpolation of a mosaic, (..., H, W) -> same.

    `cfa` names the colours of the first 2 x 2 pixels in reading order.
    """
    height, width = frames.shape[-2:]
    each = frames.reshape(-1, height, width)
    if frames.device.type != "cpu":
        at_once = max(1, _AT_ONCE_PX // (height * width))
        return torch.cat([mean_colour(some, cfa) for some in each.split(at_once)]).view(
            frames.shape
        )
    tent = torch.tensor([1.0, 2.0, 1.0])
    cross = torch.tensor([[0.0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    kernels = {"R": tent[:, None] * tent / 4, "G": cross, "B": tent[:, None] * tent / 4}
    kernel = torch.stack([kernels[colour] for colour in "RGB"])[:, None]
    four = torch.tensor([[float(c == colour) for c in cfa] for colour in "RGB"])
    places = four.reshape(3, 2, 2)
    places = places.repeat(1, -(-height // 2), -(-width // 2))[:, :height, :width]
    out = torch.empty_like(each)
    for frame, into in zip(each, out, strict=True):
        # Mirrored about the edge pixel, a place keeps its colour.
        planes = F.pad((frame * places)[None], (1, 1, 1, 1), mode="reflect")
        into.copy_(F.conv2d(planes, kernel, groups=3)[0].mean(0))
    return out.view(frames.shape)


def mean_colour(frames: Tensor, cfa: str) -> Tensor:
    """`luminance` as sums of neighbours, (b, H, W): a GPU moves far less memory for it.

    A green pixel has the two other colours beside it and above, the others have green there and
    each other at their corners.
    """
    height, width = frames.shape[1:]
    wide = F.pad(frames[:, None], (1, 1, 1, 1), mode="reflect")[:, 0]
    above = wide[:, :-2] + wide[:, 2:]
    beside = above[..., 1:-1] + wide[:, 1:-1, :-2]
    beside += wide[:, 1:-1, 2:]
    out = torch.add(frames, beside, alpha=0.5)
    more = (above[..., :-2] + above[..., 2:]).sub_(beside)
    for place, colour in enumerate(cfa):
        if colour != "G":
            part = (..., slice(place // 2, height, 2), slice(place % 2, width, 2))
            out[part].add_(more[part], alpha=0.25)
    return out.div_(3)


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
    table = (table * (2 - quality / 50) + 0.5).floor().clamp_min(1)
    rows, columns = padded.shape[1] // 8, padded.shape[2] // 8
    blocks = (padded - 128).reshape(-1, rows, 8, columns, 8).transpose(2, 3)
    kept = ((basis @ blocks @ basis.T) / table).round() * table
    back = (basis.T @ kept @ basis).transpose(2, 3).reshape(padded.shape)
    return (back[:, :height, :width] + 128).reshape(frames.shape)


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
