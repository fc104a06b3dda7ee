"""A run of subs whose course is written down by hand, for the tests of the reading of a night."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from classifier.evidence import NO, Evidence
from classifier.facts import Facts
from classifier.measures import FrameMeasures
from classifier.night_line import NightSub, night_line
from classifier.vocabulary import KEYS

COUNT, SIZE = 18, (384, 512)
BEGIN = datetime(2025, 1, 3, 19, tzinfo=UTC)


def run_of(flip=9, lost=0.0, **series):
    """A quiet run with some of its numbers replaced by series over the subs."""
    rng = np.random.default_rng(7)
    places = rng.uniform((10, 10), (500, 370), (60, 2))
    flux = 1e3 * (1 + rng.pareto(1.2, 60))
    order = np.argsort(-flux)
    lost = np.broadcast_to(lost, COUNT)
    usual = {
        **{"hfr_px": 2.0, "fwhm_px": 4.0, "concentration": 1.0, "elongation": 1.04},
        **{"angle_deg": 30.0, "angle_coherence": 0.5, "star_count": 300.0, "lobes": 0.0},
        **{"sky_adu": 900.0, "gradient_pct": 2.0, "gradient_deg": 40.0, "dip": 0.0},
        **{"hot_pixels_pct": 0.01},
    }
    subs = []
    for i in range(COUNT):
        numbers = {k: float(np.broadcast_to(series.get(k, v), COUNT)[i]) for k, v in usual.items()}
        # No two measures are quite alike.
        for key in ("hfr_px", "fwhm_px", "gradient_pct", "sky_adu"):
            numbers[key] *= 1 + 0.01 * rng.normal()
        turned = i >= flip
        xy = (511.0, 383.0) - places if turned else places
        stars = np.c_[xy + rng.uniform(-3, 3, 2), flux * 10 ** (-0.4 * lost[i])][order]
        measures = FrameMeasures(
            numbers, {key: Evidence(NO, 0.0, "", 1.0) for key in KEYS}, stars.astype(np.float32)
        )
        measures.form["halo"] = 0.05
        facts = Facts(
            time_utc=BEGIN + timedelta(minutes=20 * i),
            exposure_s=300.0,
            ambient_c=10 - 6 * (1 - math.exp(-i / 9)),
            camera_deg=210.0 if turned else 30.0,
            mirrored=False,
            altitude_deg=70.0,
        )
        subs.append(NightSub(f"s{i:02}", facts, SIZE, measures))
    return night_line(subs)


STEP = np.arange(COUNT) >= 9
