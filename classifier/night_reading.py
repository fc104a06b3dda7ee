"""The reading of a night: per run its time lines, what changed, what likely caused it, what to do.

    readings = read_night(subs_by_run)      # {run: [NightSub, ...]}
    readings[0]["causes"][0]["likelihood"]

A reading is plain data (dicts, lists, texts, numbers), as `night.json` holds it, so that page and
terminal say what the file says. Schema "nightcull/night-1", see `reading_of`.
"""

import warnings
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from classifier.advice import run_hints
from classifier.night_causes import LEAST_SUBS, FoundCause, ranked_causes, signs_of
from classifier.night_changes import changes_of, costs_of, series_of, when
from classifier.night_light_signs import sky_in_electrons
from classifier.night_line import NightLine, NightSub, night_line, nights_of
from classifier.remedies import URGENCIES, cautions
from classifier.results import plain
from classifier.wording import counted

LIKELY_FROM, PERHAPS_FROM = 0.7, 0.4
SKY_UNITS = {True: "e/s per px", False: "ADU"}

# The time lines that are written: name in the file (unit in it), name in the line.
TIME_LINES = (
    ("hfr_px", "hfr_px"),
    ("fwhm_px", "fwhm_px"),
    ("elongation", "elongation"),
    ("angle_deg", "angle_deg"),
    ("star_count", "star_count"),
    ("lost_mag", "veil_mag"),
    ("sky", "sky"),
    ("gradient_pct", "gradient_pct"),
    ("gradient_deg", "gradient_deg"),
    ("turn_deg", "turn_deg"),
    ("temperature_c", "temperature_c"),
    ("ambient_c", "ambient_c"),
    ("altitude_deg", "altitude_deg"),
    ("airmass", "airmass"),
    ("pier", "pier"),
    ("moon_altitude_deg", "moon_altitude_deg"),
    ("sun_altitude_deg", "sun_altitude_deg"),
)


def read_night(runs: Mapping[str, Sequence[NightSub]]) -> list[dict[str, Any]]:
    """Readings of all runs, in the order given, night by night.

    A run that cannot be read says so in its summary: the labels of a night must not be lost to
    what comes on top of them.
    """
    readings = []
    for run, subs in runs.items():
        nights = [_read(run, night) for night in nights_of(subs)]
        if len(nights) > 1:
            nights = [reading | {"night": reading["when"][:10]} for reading in nights]
        readings += nights
    return readings


def _read(run: str, night: Sequence[NightSub]) -> dict[str, Any]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of statistics over values that are all unknown
            return reading_of(run, night_line(night))
    except Exception as error:
        return _unread(run, night, error)


def headed(reading: Mapping[str, Any]) -> str:
    """The run of a reading, with the night where the run has several."""
    night = reading.get("night")
    return f"{reading['run']}, {night}" if night else str(reading["run"])


def causes_told(
    readings: Iterable[Mapping[str, Any]],
) -> list[tuple[Mapping[str, Any], dict[str, Any]]]:
    """Every reading with each of its causes that is at least possible, in their order."""
    return [
        (reading, cause)
        for reading in readings
        for cause in reading["causes"]
        if cause["likelihood"] >= PERHAPS_FROM
    ]


def _unread(run: str, subs: Sequence[NightSub], error: Exception) -> dict[str, Any]:
    told = (
        f"The course of this run could not be read ({type(error).__name__}: {error}); its labels "
        "stand."
    )
    empty: dict[str, Any] = {key: [] for key in ("changes", "costs", "causes", "hints", "untold")}
    names = [sub.name for sub in subs]
    return empty | {
        "run": run,
        "when": "",
        "subs": names,
        "hours": None,
        "time_lines": {},
        "sky_unit": "",
        "summary": [told],
    }


def reading_of(run: str, line: NightLine) -> dict[str, Any]:
    """Reading of one run, as plain data:

    run, when, and from `read_night` night, a UTC date, where the run has several; subs: names in
    order of time; hours: of their middles; time_lines: by name, null where unknown (sky: in
    sky_unit); summary, changes, costs, hints (whose light and what marks they are, see `advice`),
    untold: sentences;
    causes: likeliest first, each with cause, title, likelihood, urgency, evidence, against,
    missing, fault, remedy, tonight, next_night, processing, cautions.
    """
    causes = ranked_causes(signs_of(line), line) if len(line) >= LEAST_SUBS else []
    focus_runs = any(
        one.key == "focus_temperature" and one.likelihood >= PERHAPS_FROM for one in causes
    )
    lines = {
        name: series_of(line, source)
        for name, source in TIME_LINES
        if source == "sky" or source in line.of
    }
    return plain(
        {
            "run": run,
            "when": when(line),
            "subs": [sub.name for sub in line.subs],
            "hours": line.hours if line.timed else None,
            "time_lines": {k: v for k, v in lines.items() if np.isfinite(v).any()},
            "sky_unit": SKY_UNITS[sky_in_electrons(line)],
            "summary": summary_of(causes, len(line)),
            "changes": changes_of(line),
            "costs": costs_of(line, focus_runs),
            "causes": [_cause(cause) for cause in causes],
            "hints": run_hints(line),
            "untold": untold_of(line),
        }
    )


def summary_of(causes: Sequence[FoundCause], count: int) -> list[str]:
    """What has to be said first: one sentence per urgency, the pressing one first.

    Nobody is told to stop for what is less likely.
    """
    if count < LEAST_SUBS:
        return [
            f"{counted(count, 'sub')} are too few to read causes from; "
            f"{LEAST_SUBS} of one run are needed."
        ]
    told = []
    for urgency in URGENCIES:
        mine = [
            f"{cause.title} ({sureness(cause.likelihood)})"
            for cause in causes
            if cause.remedy.urgency == urgency and cause.likelihood >= PERHAPS_FROM
        ]
        if mine:
            told.append(f"{urgency[0].upper()}{urgency[1:]}: {', '.join(mine)}.")
    if not told:
        told.append(
            "Nothing in the course of this run points to one lasting cause; what single subs have "
            "stands with them."
        )
    less = [
        f"{cause.title} ({100 * cause.likelihood:.0f} %)"
        for cause in causes
        if cause.likelihood < PERHAPS_FROM
    ]
    return [*told, f"Less likely: {', '.join(less)}."] if less else told


def sureness(likelihood: float) -> str:
    """A likelihood in words and figures."""
    words = "less likely"
    if likelihood >= LIKELY_FROM:
        words = "likely"
    elif likelihood >= PERHAPS_FROM:
        words = "perhaps"
    return f"{words}, {100 * likelihood:.0f} %"


def _cause(found: FoundCause) -> dict[str, Any]:
    texts = cautions()
    return {
        "cause": found.key,
        "title": found.title,
        "likelihood": found.likelihood,
        "urgency": found.remedy.urgency,
        "evidence": list(found.evidence),
        "against": list(found.against),
        "missing": list(found.missing),
        "fault": found.fault,
        "remedy": found.remedy.name,
        "sign": found.remedy.sign,
        "tonight": found.remedy.tonight,
        "next_night": found.remedy.next_night,
        "processing": found.remedy.processing,
        "cautions": [texts[key] for key in found.remedy.cautions],
    }


def untold_of(line: NightLine) -> list[str]:
    """What the headers lack, and what would have been told with it."""
    told = []
    if not line.timed:
        told.append(
            "The headers lack times (DATE-OBS): trends, sudden changes and the order of the subs "
            "would be told with them."
        )
    if line.site_note:
        told.append(line.site_note)
    elif "moon_altitude_deg" not in line.of:
        told.append(
            "Site, pointing or time is unknown (SITELAT, SITELONG, RA, DEC, DATE-OBS): where Moon "
            "and Sun stood would be told, and Moon kept apart from lamps and town."
        )
    if not np.isfinite(line.of["camera_deg"]).any():
        told.append(
            "The headers lack the camera's turn (celestial coordinates): uneven tracking in right "
            "ascension and errors in declination would be told from other drift."
        )
    if not np.isfinite(line.of["ambient_c"]).any():
        told.append(
            "The headers lack the air's temperature (AMBTEMP): focus would be held against it and "
            "the refocusing interval told."
        )
    if not np.isfinite(line.of["altitude_deg"]).any():
        told.append(
            "The target's altitude is unknown (OBJCTALT or AIRMASS, or site and pointing): widths "
            "and light would be freed from the air's part."
        )
    return told
