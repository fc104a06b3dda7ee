"""Six hundred subs in three runs, made up but for their pictures: what a report has to bear.

The pictures are those of a few rendered subs over and over; labels, numbers and time lines are
drawn at random, as many and as long as real ones.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from classifier.frame import read_frame
from classifier.picture import THUMBNAIL_PX, thumbnails
from classifier.results import FrameResult, Picture, Results
from classifier.sub_pictures import from_subs
from classifier.vocabulary import GROUPS, KEYS, fault
from synth.demo_night import render_demo_night

LINES = ("hfr_px", "fwhm_px", "elongation", "star_count", "lost_mag", "sky", "gradient_pct")
MORE = ("ambient_c", "temperature_c", "altitude_deg")
BEGIN_MJD = 61000.75


def rendered_pictures(folder: Path, count: int = 4) -> list[Picture]:
    """Pictures of rendered subs. The thumbnail is a cut-out as large as thumbnails get, not binned
    as those of whole frames are: with all of its noise it takes more bytes than any of those."""
    paths = render_demo_night(folder / "subs", count)
    drawn = from_subs([folder / "subs"], {path.name for path in paths})
    return [
        replace(drawn[path.name], thumbnail=whole, small=small)
        for path in paths
        for whole, small in (thumbnails(read_frame(path).pixels[:427, :THUMBNAIL_PX]),)
    ]


def long_night(pictures: list[Picture], subs: int = 600, seed: int = 1) -> Results:
    """Results of a night; a third of the subs dropped, a sixth to look at."""
    rng = np.random.default_rng(seed)
    runs = [f"Long Field {k} | {k} | 60 s | Camera of a long name 3.76 um | bin 1" for k in "LRG"]
    frames = [_frame(i, runs[i * 3 // subs], pictures, rng) for i in range(subs)]
    readings = [_reading(run, [f for f in frames if f.run == run], rng) for run in runs]
    return Results({"nightcull": "0", "model": "m", "model_sha256": "0" * 64}, frames, [], readings)


def _frame(i: int, run: str, pictures: list[Picture], rng: np.random.Generator) -> FrameResult:
    verdict = ("keep", "keep", "keep", "drop", "drop", "look")[i % 6]
    faults = list(rng.choice(KEYS, 2, replace=False)) if verdict == "drop" else []
    evidence = {
        key: {
            "state": "yes" if key in faults else "no",
            "value": float(fault(key).counts_from * rng.uniform(0.1, 0.9)),
            "unit": fault(key).unit,
            "threshold": fault(key).counts_from,
        }
        for key in KEYS
    }
    width = 2.0 + rng.gamma(2.0, 0.2)
    return FrameResult(
        path=f"lights of the night/Long_Field_60s_{i:04}.fits",
        run=run,
        verdict=verdict,
        faults=faults,
        why="A made-up sentence that is as long as those are that people get to read here." * 2,
        confidence={key: 0.97 if key in faults else float(rng.beta(1, 8)) for key in KEYS},
        groups=dict.fromkeys(GROUPS, 0.1),
        evidence=evidence,
        numbers={
            **{"star_count": 900.0 + i, "hfr_px": width, "fwhm_px": 1.9 * width},
            **{"elongation": 1.0 + rng.gamma(1.0, 0.05), "angle_deg": 30.0, "sky_adu": 812.0},
            **{"noise_adu": 25.0 * rng.uniform(1, 1.2), "exposure_s": 60.0},
            "time_mjd": BEGIN_MJD + i * 65 / 86400,
        },
        unfamiliar=0.1,
        where={
            key: np.sort(rng.uniform(0, 1000, (12, 2, 2)), 1).reshape(12, 4).round(1).tolist()
            for key in faults
        },
        notes=("The header lacks the gain.",),
        picture=pictures[i % len(pictures)],
    )


def _reading(run: str, frames: list[FrameResult], rng: np.random.Generator) -> dict:
    count = len(frames)
    hours = [24 * (f.numbers["time_mjd"] - frames[0].numbers["time_mjd"]) for f in frames]
    lines = {name: rng.normal(5, 1, count).tolist() for name in (*LINES, *MORE)}
    return {
        **{"run": run, "when": "2025-11-20 18:00 to 23:30 UTC", "hours": hours},
        **{"subs": [frame.path for frame in frames], "time_lines": lines},
        **{"summary": ["Nothing in the course of this run points to one cause."], "causes": []},
        **{"changes": ["HFR rose by 20% at sub 12."], "costs": [], "untold": ["No site."]},
    }
