"""Faults rendered onto real good frames.

    source = Source(pixels, fwhm_px=2.9, gain_e_adu=1.2, read_noise_e=3.0, offset_adu=500.0)
    done = graft(source, "drift", 1.6, rng)       # done.pixels, done.strength, done.where

The recipes draw the fault on the frame's stand-in, so its forms and strengths are those of
rendered frames; what they change is then done to the frame's own light, in electrons: star shapes
by a kernel, shadows and losses by thinning, glows and trails by adding photons. `renoise` keeps
the noise right. Sensor defects of the frame itself (single hot pixels) stay where they are.

Field rotation, which needs a kernel that changes over the field, is not grafted.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy import ndimage

from classifier.vocabulary import INDEX, KEYS
from synth import streaks
from synth.recipes import RECIPES
from synth.relight import Job, relight
from synth.scene import Scene
from synth.stand_in import Source, stand_in
from synth.strength import ABSENT, NAN, strengths

# A star's core this many times over saturation is not rebuilt any higher.
_HIGHEST_CORE = 300.0


@dataclass(frozen=True)
class Grafted:
    """A frame with a fault. pixels (H, W) float32 ADU; strength (16,) in the vocabulary's units,
    NaN = leave out; where: discs [x, y, r], lines [x0, y0, x1, y1] or stars [x, y], px."""

    pixels: np.ndarray
    strength: np.ndarray
    where: list[list[float]]


def graft(source: Source, fault: str, strength: float, rng: Generator) -> Grafted:
    """The frame with a fault of about this strength; `strength` at its absent value returns it
    unchanged. The strength reached is in the result. Raises ValueError where the frame cannot
    have the fault or the name is unknown."""
    if fault not in RECIPES:
        raise ValueError(f"no fault is called {fault!r}; the faults are {', '.join(KEYS)}")
    if not can_graft(source, fault):
        raise ValueError(f"{fault} needs a colour mosaic, and this frame has none")
    if fault != "low_signal" and strength == ABSENT.get(fault, 0.0):
        return Grafted(source.pixels.copy(), clean_strength(source), [])
    plain = source.electrons()
    light = uncapped(source, plain)
    scene = stand_in(source, light, rng)
    changed = _changed(scene, fault, strength, rng)
    done = relight(fault, Job(source, light, scene, changed, strength, rng))
    row = clean_strength(source)
    column = INDEX[fault]
    own = done.strength
    row[column] = strengths([done.changed])[0][column] if own is None else own
    # What the recipe leaves open beside its fault, as the focus of a lopsided donut.
    row[[INDEX[key] for key, known in done.changed.strength.items() if np.isnan(known)]] = NAN
    if fault in ("low_signal", "clouds", "vignetting"):
        # Less light is less signal; how much, the stand-in cannot tell for the other fault.
        row[INDEX["low_signal"]] = row[column] if fault == "low_signal" else NAN
    where = _WHERE[fault](done.changed) if fault in _WHERE else []
    return Grafted(_as_file(source, plain, light, done.light), row, where)


def can_graft(source: Source, fault: str) -> bool:
    """Whether the frame can have the fault at all."""
    return fault != "bayer_grid" or source.cfa is not None


def clean_strength(source: Source) -> np.ndarray:
    """(16,) strengths of the source itself, a good frame; its signal counts as good if unknown."""
    row = np.zeros(len(KEYS))
    for key, value in ABSENT.items():
        row[INDEX[key]] = value
    known = source.knows_sky and source.gain_e_adu and source.read_noise_e
    row[INDEX["low_signal"]] = source.sky_e / source.read_e**2 if known else 1e3
    return row


def uncapped(source: Source, light_e: np.ndarray) -> np.ndarray:
    """Electrons with the cores of saturated stars rebuilt, so that smeared they stay bright.

    A saturated area of radius r on a Moffat star of exponent 3 (common practice) gives its peak.
    """
    top = source.saturation_adu
    if top is None or not (source.pixels >= top).any():
        return light_e
    out = light_e.copy()
    # Frames shifted onto others have saturated areas that are not quite even.
    level = source.zero_adu + 0.95 * (top - source.zero_adu)
    areas, count = ndimage.label(ndimage.binary_fill_holes(source.pixels >= level), np.ones((3, 3)))
    scale = source.fwhm_px / (2 * (2 ** (1 / 3) - 1) ** 0.5)
    boxes = ndimage.find_objects(areas)
    for number, box in zip(range(1, count + 1), boxes, strict=True):
        y, x = np.nonzero(areas[box] == number)
        if source.pixels[box][y, x].max() < top:
            continue
        radius2 = ((y - y.mean()) ** 2 + (x - x.mean()) ** 2) / scale**2
        edge2 = len(y) / np.pi / scale**2
        core = np.clip(((1 + edge2) / (1 + radius2)) ** 3, 1.0, _HIGHEST_CORE)
        out[box][y, x] = np.maximum(
            light_e[box][y, x], (level - source.zero_adu) * source.gain * core
        )
    return out


def _as_file(source: Source, plain: np.ndarray, light: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Electrons back to the file's numbers; pixels whose light did not change keep theirs."""
    adu = source.pixels + (after - plain) / source.gain
    if source.step_adu:
        adu = np.round(adu / source.step_adu) * source.step_adu
        adu = np.maximum(adu, min(0.0, float(source.pixels.min())))
    highest = float(source.pixels.max())
    if source.saturation_adu is not None:
        adu = np.minimum(adu, max(source.saturation_adu, highest))
    elif source.step_adu:
        # Whole numbers of unknown saturation: 8 or 16 bits hold no more.
        adu = np.minimum(adu, max(highest, 255.0 if highest <= 255 else 65535.0))
    return np.where(after == light, source.pixels, adu).astype(np.float32)


def _changed(scene: Scene, fault: str, strength: float, rng: Generator) -> Scene:
    """The recipe on the stand-in. A drift drawn as field rotation is drawn again."""
    for _ in range(100):
        changed = RECIPES[fault](scene, strength, rng)
        if changed.twist_deg == 0:
            return changed
    raise RuntimeError("a hundred drifts in a row were drawn as field rotation")


def _trail_lines(scene: Scene) -> list[list[float]]:
    ends = [streaks.clipped_ends(t, scene.width_px, scene.height_px) for t in scene.trails]
    return [list(e) for e in ends if e]


def _motes(scene: Scene) -> list[list[float]]:
    return [[m.x_px, m.y_px, m.outer_px + m.mote_px] for m in scene.dust.motes]


def _ghosts(scene: Scene) -> list[list[float]]:
    return [[g.x_px, g.y_px, g.outer_px] for g in scene.reflection.ghosts]


def _brightest(scene: Scene) -> list[list[float]]:
    return (
        [[float(scene.stars.x_px[0]), float(scene.stars.y_px[0])]] if len(scene.stars.x_px) else []
    )


_WHERE: dict[str, Callable[[Scene], list[list[float]]]] = {
    "trail": _trail_lines,
    "dust_motes": _motes,
    "reflection": _ghosts,
    "diffraction_spikes": _brightest,
}
