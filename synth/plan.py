"""Scenes of one shape with all that numpy has to do for them, before any device is needed.

Drawing and planning is done in worker processes; a plan is small and travels well.
"""

from dataclasses import dataclass

import numpy as np

from synth.defects import bad_columns, cosmic_rays, dead_pixels, hot_pixels
from synth.scene import Scene
from synth.starlight import StarPlan, plan_stars
from synth.strength import Truth, prepare


@dataclass(frozen=True)
class Plan:
    """Planned scenes.

    defect_place, defect_e: flat pixel numbers over the whole batch and the electrons to add.
    """

    scenes: list[Scene]
    stars: StarPlan
    truth: Truth
    defect_place: np.ndarray
    defect_e: np.ndarray


def plan(scenes: list[Scene]) -> Plan:
    """Arrange the stars, prepare the truth and draw the sensor's defects of scenes of one shape."""
    places, electrons = [np.zeros(0, np.int64)], [np.zeros(0)]
    for i, scene in enumerate(scenes):
        for draw in (hot_pixels, cosmic_rays, bad_columns, dead_pixels):
            place, charge = draw(scene)
            places.append(place + i * scene.width_px * scene.height_px)
            electrons.append(charge)
    return Plan(
        scenes,
        plan_stars(scenes),
        prepare(scenes),
        np.concatenate(places).astype(np.int64),
        np.concatenate(electrons).astype(np.float32),
    )
