"""Scenes drawn for their stars alone: the faults that change stars, no nebulae, no shadows.

The rigs, fields, recipes and strengths are those of whole frames; star faults are drawn more
often, and what a cut-out cannot show is left out.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from synth.generate import RUN_FAULTS, RUN_FRAMES, apply
from synth.recipes import RECIPES, draw_strength
from synth.rng import stream
from synth.scene import Scene, draw_run
from synth.strength import SHAPE_KEYS

# The faults that star cut-outs tell.
STAR_KEYS = (*SHAPE_KEYS, "diffraction_spikes")
# Relative chance of each in a sub that has one.
_CHANCE = {key: 1.0 for key in SHAPE_KEYS} | {"diffraction_spikes": 0.5}
# Faults of the rig that change how cut-outs look, shared by the subs of a run.
_RUN_KEYS = ("bayer_grid", "low_signal", "hot_pixels", "diffraction_spikes", "drift")
# What else a sensor and a file may have, with its empty value.
_BARE: dict[str, Any] = {
    "amp_glow": None,
    "edges": None,
    "flat": None,
    "dead_share": 0.0,
    "bad_columns": 0,
    "row_noise_e": 0.0,
    "column_noise_e": 0.0,
    "processing": "raw",
}


def draw_star_scenes(
    seed: int, index: int, count: int, width_px: int, height_px: int, cfa: bool | None = None
) -> list[Scene]:
    """`count` scenes in runs of eight, a third of them without a fault of the star's shape."""
    rng = stream(seed, "star batch", index)
    cfa = bool(rng.random() < 0.35) if cfa is None else cfa
    scenes: list[Scene] = []
    for run in range(-(-count // RUN_FRAMES)):
        number = index * 1000 + run
        frames = draw_run(seed, number, RUN_FRAMES, width_px, height_px, cfa, sky=False)
        frames = [replace(frame, **_BARE) for frame in frames]
        scenes += _with_faults(frames, stream(seed, "star faults", number), cfa)
    return scenes[:count]


def _with_faults(frames: list[Scene], rng: np.random.Generator, cfa: bool) -> list[Scene]:
    for key in _RUN_KEYS:
        if rng.random() > RUN_FAULTS[key] or (key == "bayer_grid" and not cfa):
            continue
        strength, state = draw_strength(key, rng), int(rng.integers(2**62))
        frames = [RECIPES[key](f, strength, np.random.default_rng(state)) for f in frames]
    keys, weights = list(_CHANCE), np.array(list(_CHANCE.values()))
    faulty = []
    for frame in frames:
        wanted = int(rng.choice([0, 1, 2], p=[0.3, 0.62, 0.08]))
        drawn = [str(k) for k in rng.choice(keys, wanted, replace=False, p=weights / weights.sum())]
        drawn = [key for key in drawn if key not in frame.recipe]
        faulty.append(apply(frame, drawn, rng))
    return faulty
