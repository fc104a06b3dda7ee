"""What changed through a run: steps and trends in its time lines, and what stood in the sky.

changes_of(line)       # sentences, the plainest first
costs_of(line)         # what altitude cost, how focus and crossings went, in numbers
"""

import math
from datetime import UTC, timedelta

import numpy as np

from classifier.altitude_cost import altitude_costs, altitude_text
from classifier.night_light_signs import sky_level
from classifier.night_line import NightLine
from classifier.night_trend import find_step, known, trend
from classifier.wording import counted

Array = np.ndarray

# Time lines that are told: name, words, unit, and whether a change is told as a share.
TOLD = (
    ("hfr_px", "HFR", "px", True),
    ("elongation", "Elongation", "", False),
    ("star_count", "The count of stars", "", True),
    ("veil_mag", "Light lost by the stars", "mag", False),
    ("sky", "The sky's level", "", True),
    ("gradient_pct", "The sky's slope", "% of the sky", False),
)
# Exposure below which a rate of crossings is one of chance.
LEAST_HOURS = 0.5
# A change smaller than this is not worth a sentence: shares, else the line's own unit.
LEAST_SHARE = 0.15
LEAST = {"elongation": 0.12, "veil_mag": 0.15, "gradient_pct": 5.0}
STEP_SIGMA, STEP_SHARE = 6.0, 0.6


def series_of(line: NightLine, name: str) -> Array:
    """A time line by name; `sky` is the sky's level."""
    return sky_level(line) if name == "sky" else line.of[name]


def changes_of(line: NightLine) -> list[str]:
    """One sentence for every line that changed: suddenly, else steadily."""
    told = []
    for name, words, unit, as_share in TOLD:
        values = series_of(line, name)
        sentence = _step(line, name, values, words, unit, as_share)
        sentence = sentence or _trend(line, name, values, words, unit, as_share)
        if sentence:
            told.append(sentence)
    return told + _sky(line)


def _step(
    line: NightLine, name: str, values: Array, words: str, unit: str, as_share: bool
) -> str | None:
    step = find_step(values)
    if step is None or step.sigma < STEP_SIGMA or step.share < STEP_SHARE:
        return None
    before = float(np.nanmedian(values[: step.at]))
    size = step.size / before if as_share and before > 0 else step.size
    if abs(size) < (LEAST_SHARE if as_share else LEAST.get(name, 0.0)):
        return None
    how = "rose" if size > 0 else "fell"
    amount = f"{100 * abs(size):.0f} %" if as_share else f"{abs(size):.2g} {unit}".rstrip()
    return f"{words} {how} by {amount} at {_where(line, step.at)}."


def _trend(
    line: NightLine, name: str, values: Array, words: str, unit: str, as_share: bool
) -> str | None:
    found = trend(line.hours, values)
    if found is None or not found.is_sure:
        return None
    size = found.slope * float(np.ptp(line.hours))
    if as_share:
        # What is left after a fall, not a line drawn on: that would end below nothing.
        first, *_, last = (float(np.median(part)) for part in np.array_split(known(values)[0], 3))
        if first <= 0 or (last - first) * size <= 0:
            return None
        size = (last - first) / first
    if abs(size) < (LEAST_SHARE if as_share else LEAST.get(name, 0.0)):
        return None
    how = "rose" if size > 0 else "fell"
    amount = f"{100 * abs(size):.0f} %" if as_share else f"{abs(size):.2g} {unit}".rstrip()
    return f"{words} {how} by {amount} through the run."


def _where(line: NightLine, at: int) -> str:
    return f"sub {line.subs[at].name}{_clock(line, at)}"


def _clock(line: NightLine, at: int) -> str:
    begin = line.subs[at].facts.time_utc
    return "" if begin is None else f" ({begin.astimezone(UTC):%H:%M} UTC)"


def _sky(line: NightLine) -> list[str]:
    told = []
    if line.flip is not None:
        told.append(f"The mount flipped before {_where(line, line.flip)}.")
    moon = line.of.get("moon_altitude_deg")
    if moon is not None:
        up = moon > 0
        lit = float(line.of["moon_lit"].mean())
        if up.all() or not up.any():
            told.append(
                f"The Moon, {100 * lit:.0f} % lit, was {'up' if up.all() else 'down'} throughout."
            )
        else:
            at = int(np.flatnonzero(up != up[0])[0])
            how = "rose" if up[at] else "set"
            told.append(f"The Moon, {100 * lit:.0f} % lit, {how} about {_where(line, at)}.")
        top = float(line.of["sun_altitude_deg"].max())
        if top > -18:
            told.append(f"Twilight: the Sun stood at {top:.0f} degrees in the brightest sub.")
    return told


def costs_of(line: NightLine, focus_runs: bool) -> list[str]:
    """What low altitude cost, trails by the hour, and, where the focus is said to run away with
    the temperature, how often to set it."""
    focus = _focus(line) if focus_runs else []
    return [*_altitude(line), *focus, *_trails(line)]


def _altitude(line: NightLine) -> list[str]:
    exposures_s = [sub.facts.exposure_s for sub in line.subs]
    return altitude_text(altitude_costs(line.of["altitude_deg"], exposures_s), line.of["fwhm_px"])


def refocus_c(line: NightLine) -> tuple[float, float] | None:
    """HFR per degree far from focus, px, and the degrees after which HFR is a tenth larger.

    Out of focus HFR^2 = sharp^2 + (k dT)^2; None where HFR does not follow the temperature so.
    """
    warm = line.of["ambient_c"]
    if not np.isfinite(warm).any():
        warm = line.of["temperature_c"]
    size, warm = known(line.of["hfr_px"], warm)
    if len(size) < 6 or np.ptp(warm) < 1.0:
        return None
    sharp = float(np.quantile(size, 0.1))
    best_c = float(np.median(warm[size <= np.quantile(size, 0.2)]))
    grown = np.sqrt(np.maximum(size**2 - sharp**2, 0.0))
    found = trend(np.abs(warm - best_c), grown)
    if found is None or found.low <= 0:
        return None
    return found.slope, math.sqrt(0.21) * sharp / found.slope


def _focus(line: NightLine) -> list[str]:
    found = refocus_c(line)
    if found is None:
        return []
    slope, every = found
    return [
        f"Out of focus, HFR grows by {slope:.2g} px per degree of the air: refocus after every "
        f"{every:.1f} degrees to keep it within a tenth."
    ]


def _trails(line: NightLine) -> list[str]:
    """Lines per hour of exposure, by the Sun's depth and the target's altitude."""
    count = np.array(
        [
            len(sub.measures.evidence["trail"].where)
            if sub.measures.evidence["trail"].state == "yes"
            else float("trail" in sub.faults)
            for sub in line.subs
        ],
        float,
    )
    hours = np.array([(sub.facts.exposure_s or math.nan) / 3600 for sub in line.subs])
    if not count.any() or not np.isfinite(hours).all():
        return []
    lines, rate = counted(int(count.sum()), "line"), count.sum() / hours.sum()
    if hours.sum() < LEAST_HOURS:
        return [f"{lines} crossed."]
    told = [f"{lines} crossed, {rate:.1f} per exposed hour"]
    sun = line.of.get("sun_altitude_deg")
    groups = []
    if sun is not None:
        groups += [
            ("the Sun less than 30 degrees down", sun > -30),
            ("the Sun deeper than that", sun <= -30),
        ]
    altitude = line.of["altitude_deg"]
    groups += [
        ("the target below 45 degrees", altitude < 45),
        ("the target above that", altitude >= 45),
    ]
    for words, which in groups:
        if which.any() and not which.all():
            told.append(f"{count[which].sum() / hours[which].sum():.1f} with {words}")
    return ["; ".join(told) + "."]


def when(line: NightLine) -> str:
    """First begin and last end, UTC, or nothing where times are unknown."""
    first, last = line.subs[0].facts, line.subs[-1].facts
    if first.time_utc is None or last.time_utc is None:
        return ""
    end = last.time_utc + timedelta(seconds=last.exposure_s or 0.0)
    return f"{first.time_utc.astimezone(UTC):%Y-%m-%d %H:%M} to {end.astimezone(UTC):%H:%M} UTC"
