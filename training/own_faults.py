"""What a good frame has of a fault itself, so that nothing can be learnt of it by grafting.

A frame with a slight fault of its own is neither free of it nor, with more put in, as faulty as
the graft says; and a frame with hardly a star shows no star shape at all.
"""

import math
from typing import TYPE_CHECKING

import numpy as np

from classifier.evidence import YES
from classifier.vocabulary import fault
from synth.stand_in import Source
from synth.strength import SHAPE_KEYS

if TYPE_CHECKING:
    from classifier.frame import Frame
    from classifier.measures import FrameMeasures

# Stars whose shape could be measured: fewer, and one odd star is taken for all of them.
STARS_NEEDED = 12
# Third moment of the mean star, and axis ratio, that good optics and guiding stay under: a little
# over half of what counts (0.17 for coma that adds 25 % to the HFR; 1.25).
MOST_SKEW, MOST_ELONGATION = 0.1, 1.12


def own_faults(frame: "Frame", measures: "FrameMeasures") -> frozenset[str]:
    """Faults that its measures find in the frame at more than the clean level, or that it could
    not show."""
    numbers, evidence = measures.numbers, measures.evidence
    found = {key for key, said in evidence.items() if said.state == YES}
    if len(measures.shapes) < STARS_NEEDED:
        found |= set(SHAPE_KEYS)
    if numbers.get("skew", 0.0) > MOST_SKEW:
        found.add("miscollimation")
    if numbers.get("elongation", 1.0) > MOST_ELONGATION:
        found |= {"drift", "vibration"}
    shares = sky_shares(frame, measures) | {"hot_pixels": numbers.get("hot_pixels_pct", 0.0)}
    return frozenset(
        found | {key for key, value in shares.items() if value > fault(key).clean_below}
    )


def sky_shares(frame: "Frame", measures: "FrameMeasures") -> dict[str, float]:
    """Percent of the sky that gradient and vignetting reach; of the likeliest sky, as a graft
    takes it, where the level without light is unknown."""
    # Here, not above: machines that only train have no sep.
    from classifier.background import measure_background
    from classifier.sky_model import fit_sky

    facts, fwhm_px = frame.facts, measures.numbers.get("fwhm_px", math.nan)
    background = measure_background(frame.pixels, facts.bayer, frame.overview)
    model = fit_sky(background.picture)
    source = Source(
        np.asarray(frame.pixels, np.float32),
        fwhm_px,
        facts.gain_e_adu,
        facts.read_noise_e,
        facts.offset_adu,
    )
    level = max(source.sky_adu, source.noise_adu)
    steps = {"gradient": model.gradient_adu, "vignetting": model.centre_adu - model.corner_adu}
    # A step lost in the noise says nothing of a frame whose sky was taken off.
    return {
        key: 100 * step / level if step >= 0.3 * background.noise_adu else 0.0
        for key, step in steps.items()
    }
