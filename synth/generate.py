"""An endless source of labelled frames: runs of scenes, some faulty, rendered in batches.

    batch = render_batch(seed=1, index=0, count=32, width_px=1024, height_px=768, device="cuda")

The same seed, index and shape give the same scenes everywhere and the same pixels on one device
and torch version. Frames come in runs of eight that share rig, field and sensor.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from classifier.vocabulary import KEYS, fault
from synth.defects import response_rms
from synth.expose import expected_electrons
from synth.plan import Plan, plan
from synth.processing import process
from synth.recipes import RATIOS, RECIPES, draw_strength
from synth.rng import stream, torch_stream
from synth.scene import Scene, draw_run
from synth.sensor import Readout, read_out
from synth.strength import SHAPE_KEYS, settle
from synth.transfer import moved, sent

# Enough for the run to tell what lasts (drift, dust) from what comes and goes (a shake).
RUN_FRAMES = 8
# Runs of a batch, so that no field of one batch is drawn in another.
MOST_RUNS = 1000
# Chance that a whole run has the fault: it sits in the rig, not in one sub. Applied in this order.
RUN_FAULTS = {
    "bayer_grid": 0.3,  # of colour cameras
    "low_signal": 0.10,
    "hot_pixels": 0.13,
    "vignetting": 0.15,
    "dust_motes": 0.15,
    "diffraction_spikes": 0.12,
    "drift": 0.12,  # flexure and polar error pull every sub the same way
}
# Chance that a fault which comes and goes in most runs stays in one: a mirror out of line, a focus
# never found, a night of cloud, the Moon. From its first sub to its last, or for a part of it.
LASTING_FAULTS = {
    "clouds": 0.04,
    "vibration": 0.04,
    "defocus": 0.05,
    "bloated_stars": 0.03,
    "miscollimation": 0.07,
    "guiding_loss": 0.03,
    "gradient": 0.07,
    "reflection": 0.07,
}
WHOLE_RUN = 0.6
MOVING = ("clouds", "vibration", "guiding_loss")
# Relative chance of the faults that come and go from sub to sub.
FRAME_FAULTS = {
    "clouds": 1.2,
    "vibration": 1.8,
    "drift": 0.3,
    "defocus": 1.1,
    "bloated_stars": 1.3,
    "miscollimation": 1.1,
    "guiding_loss": 1.3,
    "trail": 1.8,
    "diffraction_spikes": 0.5,
    "gradient": 1.2,
    "reflection": 2.0,
}


@dataclass
class Batch:
    """Rendered frames of one shape.

    pixels: (B, H, W) float32 ADU. strength: (B, 16) in the vocabulary's units, NaN = leave out.
    physical: facts by name, each (B,), NaN = unknown. run: (B,) number of the frame's run.
    scenes: what was rendered.
    """

    pixels: Tensor
    strength: Tensor
    physical: dict[str, Tensor]
    run: Tensor
    scenes: list[Scene]


def draw_scenes(
    seed: int,
    index: int,
    count: int,
    width_px: int,
    height_px: int,
    faults: Sequence[str] | None = None,
    cfa: bool | None = None,
    run_frames: int = RUN_FRAMES,
) -> list[Scene]:
    """`count` scenes in runs, MOST_RUNS at most; `faults` gives every frame just these faults."""
    rng = stream(seed, "batch", index)
    if faults is not None and "bayer_grid" in faults:
        cfa = True
    cfa = bool(rng.random() < 0.35) if cfa is None else cfa
    scenes: list[Scene] = []
    for run in range(-(-count // run_frames)):
        number = index * MOST_RUNS + run
        frames = draw_run(seed, number, run_frames, width_px, height_px, cfa)
        if faults is None:
            frames = _with_faults(frames, seed, number, cfa)
        else:
            frames = [
                apply(frame, faults, stream(seed, "wanted", number, i))
                for i, frame in enumerate(frames)
            ]
        scenes += frames
    return scenes[:count]


def apply(
    scene: Scene,
    faults: Sequence[str],
    rng: np.random.Generator,
    strength: dict[str, float] | None = None,
) -> Scene:
    """The scene with these faults, at given strengths or at drawn ones."""
    for key in faults:
        wanted = (strength or {}).get(key)
        scene = RECIPES[key](scene, draw_strength(key, rng) if wanted is None else wanted, rng)
    return scene


def _with_faults(frames: list[Scene], seed: int, number: int, cfa: bool) -> list[Scene]:
    """Faults of the rig for the whole run, then those of each sub."""
    rng = stream(seed, "rig faults", number)
    for key, chance in RUN_FAULTS.items():
        if rng.random() > chance or (key == "bayer_grid" and not cfa):
            continue
        strength, state = draw_strength(key, rng), int(rng.integers(2**62))
        # Each frame gets the recipe from the same numbers: same motes, same hot pixels.
        frames = [RECIPES[key](f, strength, np.random.default_rng(state)) for f in frames]
    for key, chance in LASTING_FAULTS.items():
        if rng.random() < chance:
            frames = _lasting(frames, key, rng)
    return [_one_frame(f, stream(seed, "sub faults", number, i)) for i, f in enumerate(frames)]


def _lasting(frames: list[Scene], key: str, rng: np.random.Generator) -> list[Scene]:
    """Scenes of a run with one fault in all of them or in a part, its strength changing a little
    from sub to sub; scenes that have a fault of the stars' shape already get no other.

    What sits in rig or sky is drawn alike for all of them; what moves is drawn anew. Of a run
    whose stars are bloated from first to last nobody is taught that: no sub of it shows the good
    width, and that of another night may well be as wide. So it is with an even veil that stays.
    """
    strength, states = draw_strength(key, rng), rng.integers(2**62, size=len(frames))
    if key not in MOVING:
        states[:] = states[0]
    first, last = 0, len(frames)
    if rng.random() > WHOLE_RUN:
        first, last = sorted(rng.choice(len(frames) + 1, 2, replace=False))
    # Of ratios what goes beyond 1.
    least = 1.0 if key in RATIOS else 0.0
    wanted = least + (strength - least) * rng.uniform(0.85, 1.0, len(frames))

    def changed(number: int, scene: Scene) -> Scene:
        taken = key in SHAPE_KEYS and _is_misshapen(scene)
        if taken or not first <= number < last:
            return scene
        spoilt = RECIPES[key](scene, wanted[number], np.random.default_rng(states[number]))
        is_unseen = last - first == len(frames) and _takes_comparing(key, spoilt)
        return spoilt.with_unknown(key) if is_unseen else spoilt

    return [changed(number, scene) for number, scene in enumerate(frames)]


def _takes_comparing(key: str, scene: Scene) -> bool:
    """Whether a sub shows its fault only beside others that are free of it."""
    is_even = key == "clouds" and scene.clouds.texture_mag < fault("clouds").counts_from
    return key == "bloated_stars" or is_even


def _is_misshapen(scene: Scene) -> bool:
    return bool(set(scene.recipe) & set(SHAPE_KEYS))


def _one_frame(scene: Scene, rng: np.random.Generator) -> Scene:
    count = int(rng.choice([0, 1, 2, 3], p=[0.32, 0.42, 0.19, 0.07]))
    keys, weights = list(FRAME_FAULTS), np.array(list(FRAME_FAULTS.values()))
    drawn = [str(k) for k in rng.choice(keys, count, replace=False, p=weights / weights.sum())]
    if scene.clouds is not None:  # another would take the place of the one that lasts
        drawn = [key for key in drawn if key != "clouds"]
    shapes = [key for key in drawn if key in SHAPE_KEYS]
    # Two smears at once are rare, and then neither can be read.
    spare = shapes[0 if _is_misshapen(scene) else 1 :] if rng.random() < 0.85 else []
    return apply(scene, [key for key in drawn if key not in spare], rng)


def render_batch(
    seed: int,
    index: int,
    count: int,
    width_px: int,
    height_px: int,
    device: str = "cpu",
    faults: Sequence[str] | None = None,
    cfa: bool | None = None,
) -> Batch:
    """Draw and render `count` frames: see the module's docstring."""
    scenes = draw_scenes(seed, index, count, width_px, height_px, faults, cfa)
    return render_scenes(scenes, seed, index, device)


def render_scenes(scenes: list[Scene], seed: int, index: int, device: str = "cpu") -> Batch:
    """Scenes of one shape -> Batch. `seed` and `index` fix the noise."""
    return render_plan(plan(scenes), seed, index, device)


def draw_plan(
    seed: int,
    index: int,
    count: int,
    width_px: int,
    height_px: int,
    cfa: bool | None = None,
    faults: Sequence[str] | None = None,
    run_frames: int = RUN_FRAMES,
) -> Plan:
    """The part of `render_batch` that needs no device: for worker processes."""
    return plan(draw_scenes(seed, index, count, width_px, height_px, faults, cfa, run_frames))


def render_plan(plan: Plan, seed: int, index: int, device: str = "cpu") -> Batch:
    """Planned scenes -> Batch. `seed` and `index` fix the noise."""
    scenes = plan.scenes
    generator = torch_stream(device, seed, "pixels", index)
    expected = expected_electrons(plan, device)
    pixels = read_out(expected, _readout(scenes, device), generator)
    # Facts stay on the host while they change frame by frame.
    physical = _physical(scenes)
    pixels = process(pixels, scenes, physical)
    return Batch(
        pixels=pixels,
        strength=moved(settle(plan.truth, device).astype(np.float32), device),
        physical=sent({name: values.numpy() for name, values in physical.items()}, device),
        run=moved(_runs(scenes), device),
        scenes=scenes,
    )


def _runs(scenes: list[Scene]) -> np.ndarray:
    """(B,) number of each scene's run: those of one field that lie side by side."""
    fields = np.array([scene.field_seed for scene in scenes])
    return np.cumsum(np.diff(fields, prepend=fields[0]) != 0)


def _readout(scenes: list[Scene], device: str) -> Readout:
    cameras = [scene.rig.camera for scene in scenes]
    # One sensor's frames lie side by side and answer alike.
    own = {(s.field_seed, s.rig.camera.binning): s for s in scenes}
    prnu = {sensor: response_rms(scene) for sensor, scene in own.items()}
    lists = {
        "gain_e_adu": [c.gain_e_adu for c in cameras],
        "read_noise_e": [c.read_noise_e for c in cameras],
        "offset_adu": [c.offset_adu for c in cameras],
        "full_well_e": [c.full_well_e for c in cameras],
        "top_adu": [2.0**c.bits - 1 for c in cameras],
        "prnu": [prnu[s.field_seed, s.rig.camera.binning] for s in scenes],
        "spill_up": [s.spill_up for s in scenes],
        "row_noise_e": [s.row_noise_e for s in scenes],
    }
    # What no frame has is left out here, where it costs no wait for the device.
    if max(lists["row_noise_e"]) <= 0:
        del lists["row_noise_e"]
    columns_e = [s.column_noise_e for s in scenes]
    return Readout(
        **sent({name: np.array(values, np.float32) for name, values in lists.items()}, device),
        column_noise_e=torch.tensor(columns_e) if max(columns_e) > 0 else None,
        blooms=torch.tensor([c.blooms for c in cameras]),
        sensor=[s.field_seed for s in scenes],
    )


def _physical(scenes: list[Scene]) -> dict[str, Tensor]:
    rows = [
        {
            "exposure_s": s.exposure_s,
            "gain_e_adu": s.rig.camera.gain_e_adu,
            "read_noise_e": s.rig.camera.read_noise_e,
            "offset_adu": s.rig.camera.offset_adu,
            "saturation_adu": s.rig.camera.saturation_adu,
            "scale_arcsec": s.rig.scale_arcsec,
            "focal_ratio": s.rig.telescope.focal_ratio,
            "binning": float(s.rig.camera.binning),
            "is_cfa": float(s.rig.camera.cfa is not None),
        }
        for s in scenes
    ]
    return {
        name: torch.tensor([row[name] for row in rows], dtype=torch.float32) for name in rows[0]
    }


assert set(RUN_FAULTS) | set(FRAME_FAULTS) == set(KEYS), "a fault is drawn nowhere"
