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
from synth import pictures, shading
from synth.rng import log_uniform, stream, torch_stream

if TYPE_CHECKING:
    from synth.scene import Scene

# How often a run of mono frames comes as what.
KINDS = {
    "raw": 0.53,
    "shifted": 0.06,
    "dark_subtracted": 0.10,
    "flat_fielded": 0.06,
    "sky_subtracted": 0.06,
    "normalised": 0.04,
    "aligned": 0.05,
    "eight_bit": 0.05,
    "picture": 0.04,
}
# The same for colour mosaics; what would mix their four places cannot be among them.
CFA_KINDS = {
    "raw": 0.54,
    "unnamed": 0.04,
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
            raise ValueError(f"processing {part[0]!r} is unknown; use one of {', '.join(_TREAT)}")
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


def _unnamed(frames: Tensor, run: _Run) -> Tensor:
    """A colour mosaic as it was read, in a file that does not say that it is one."""
    run.put("is_cfa", 0.0)
    return frames


def _flat_fielded(frames: Tensor, run: _Run) -> Tensor:
    """Dark-subtracted, then divided by the run's own flat: even sky, noisier corners."""
    frames, level = _less_dark(frames, run)
    scene = run.scenes[0]
    fit, noise = flat_fit(scene)
    flat = flat_of(scene, frames.device) ** fit
    grain = torch_stream(frames.device, scene.field_seed, "flat")
    flat = flat * (1 + noise * torch.randn(flat.shape, generator=grain, device=frames.device))
    return (frames - level) / flat + level


def flat_fit(scene: "Scene") -> tuple[float, float]:
    """Power to which the flat holds the true transmission, and the noise of its pixels.

    Stray light in a flat, or another focus, lets a third of them take off too much or too little
    at the corners (common practice); a flat of n electrons in all has a noise of n^-1/2: some
    50,000 to a million.
    """
    rng = stream(scene.field_seed, "flat")
    fit = float(rng.uniform(0.6, 1.4)) if rng.random() < 0.35 else 1.0
    return fit, log_uniform(rng, 1e-3, 4.5e-3)


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
    cells = _mesh_cells(run.scenes[0])
    frames = frames - (_sky(frames) if cells is None else mesh_sky(frames, cells))
    run.forget("offset_adu", "saturation_adu", "read_noise_e")
    scale = log_uniform(run.rng, 1e-3, 3.0) if run.rng.random() < 0.5 else 1.0
    run.scale(scale)
    if run.rng.random() < 0.5:
        run.forget()
    return frames * scale


def _mesh_cells(scene: "Scene") -> int | None:
    """Cells along the shorter side whose medians half of the programs take off as the sky; None:
    one level for the whole frame."""
    rng = stream(scene.field_seed, "mesh")
    return int(rng.integers(3, 12)) if rng.random() < 0.5 else None


def mesh_sky(frames: Tensor, cells: int) -> Tensor:
    """(b, H, W) medians of square cells, that many along the shorter side, joined by straight
    lines: what slopes goes with it, and dark moats stay round what is bright and wide."""
    height, width = frames.shape[1:]
    side = max(8, min(height, width) // cells)
    wide = F.pad(frames[:, None], (0, -width % side, 0, -height % side), mode="replicate")[:, 0]
    rows, columns = wide.shape[1] // side, wide.shape[2] // side
    blocks = wide.view(-1, rows, side, columns, side).transpose(2, 3).flatten(3)
    medians = blocks.median(3).values[:, None]
    sky = F.interpolate(medians, wide.shape[1:], mode="bilinear", align_corners=False)
    return sky[:, 0, :height, :width]


def _normalised(frames: Tensor, run: _Run) -> Tensor:
    """Numbers from 0 to 1, or per second: all levels times one factor."""
    scale = log_uniform(run.rng, 1e-5, 5.0)
    run.scale(scale)
    return frames * scale


def _aligned(frames: Tensor, run: _Run) -> Tensor:
    """Laid onto another frame: correlated noise, an empty border. Shifted by a part of a pixel, or
    turned a little as well, so that the noise changes from place to place."""
    right, down = (float(v) for v in run.rng.uniform(0.1, 0.9, 2))
    if run.rng.random() < 0.5:
        frames = (1 - right) * frames + right * frames.roll(1, 2)
        frames = (1 - down) * frames + down * frames.roll(1, 1)
    else:
        corner_px = float(run.rng.uniform(-2, 2))  # the places that are told stay true
        mode = str(run.rng.choice(["bilinear", "bicubic"]))
        frames = turned(frames, corner_px, right, down, mode)
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


def turned(frames: Tensor, corner_px: float, right_px: float, down_px: float, mode: str) -> Tensor:
    """(b, H, W) resampled at places turned about the middle, by `corner_px` at the corners, and
    shifted; `mode` as in torch's grid_sample."""
    count, height, width = frames.shape
    angle = 2 * corner_px / float(np.hypot(height, width))
    x = torch.arange(width, device=frames.device) - (width - 1) / 2
    y = torch.arange(height, device=frames.device)[:, None] - (height - 1) / 2
    cos, sin = float(np.cos(angle)), float(np.sin(angle))
    along = (cos * x - sin * y - right_px) * (2 / (width - 1))
    across = (sin * x + cos * y - down_px) * (2 / (height - 1))
    grid = torch.stack((along, across), 2).float().expand(count, -1, -1, -1)
    laid = F.grid_sample(
        frames[:, None], grid, mode=mode, padding_mode="border", align_corners=True
    )
    return laid[:, 0]


def _interpolated(frames: Tensor, run: _Run) -> Tensor:
    """Mean of the three colours after bilinear interpolation of the mosaic."""
    run.put("is_cfa", 0.0)
    return luminance(frames, run.scenes[0].rig.camera.cfa or "RGGB")


def _eight_bit(frames: Tensor, run: _Run) -> Tensor:
    """Cut down to 8 bits without a curve."""
    return _stored(pictures.cut_down(frames, run.scenes), run)


def _picture(frames: Tensor, run: _Run) -> Tensor:
    """An 8-bit picture with the usual curve of screens, most of them compressed in blocks."""
    run.put("is_cfa", 0.0)
    cfa = run.scenes[0].rig.camera.cfa
    if cfa is not None:
        frames = luminance(frames, cfa)
    return _stored(pictures.developed(frames, run.scenes), run)


def _stored(frames: Tensor, run: _Run) -> Tensor:
    """Of a picture's facts nothing is known but its top, where stars are cut off there."""
    run.forget()
    burnt_out = pictures.is_burnt_out(frames)
    run.physical["saturation_adu"][run.frames][burnt_out] = pictures.TOP
    return frames


_TREAT = {
    "shifted": _shifted,
    "unnamed": _unnamed,
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


def is_lost(scene: "Scene", key: str, strength: float) -> bool:
    """Whether a file treated like this hides a fault of that strength, or feigns one.

    Where the level without light is lost, a mild clean slope may look like a fault: such a
    frame is neither.
    """
    fault = FAULTS[INDEX[key]]
    if fault.target(strength) > 0:
        drowned = key == "trail" and is_drowned(key, strength, pictures.signal_kept(scene))
        return drowned or key in _hidden(scene)
    gain = pictures.contrast(scene)
    return key in ("gradient", "vignetting") and gain > 1 and fault.target(gain * strength) > 0


def is_drowned(key: str, strength: float, kept: float) -> bool:
    """Whether a fault that stood out by `strength` sigma counts less when that share of its S/N is
    kept (`pictures.signal_kept`)."""
    fault = FAULTS[INDEX[key]]
    return fault.target(strength * kept) < fault.target(strength)


def _hidden(scene: "Scene") -> tuple[str, ...]:
    if scene.processing == "sky_subtracted":
        return SKY_KEYS if _mesh_cells(scene) is None else (*SKY_KEYS, "clouds")
    if scene.processing in pictures.PICTURES:
        # Of a picture nobody can tell how many electrons were counted.
        lost = SKY_KEYS if pictures.contrast(scene) > 1.3 else ("low_signal",)
        return (*lost, "bayer_grid") if scene.processing == "picture" else lost
    return ("bayer_grid",) if scene.processing in ("interpolated", "unnamed") else ()
