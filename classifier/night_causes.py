"""Causes of a run's trouble, ranked: how likely each is, and the signs for and against it.

    found = ranked_causes(signs_of(line), line)
    found[0].key, found[0].likelihood, found[0].evidence

The causes and their signs are data (`night_causes.toml`). A cause scores the product over its
signs; causes of one family explain the same trouble and share what is likely; a table made from
rendered nights of known causes turns scores into likelihoods. Nothing is likely without a sign.
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from classifier.night_field import field_of
from classifier.night_light_signs import light_signs
from classifier.night_line import NightLine
from classifier.night_star_signs import star_signs
from classifier.remedies import Cause as Remedy
from classifier.remedies import remedy as remedies_of

LEAST_SUBS = 6
# Of fewer subs nothing is sure: a course of seven numbers follows many laws.
SURE_SUBS, MOST_OF_FEW = 8, 0.75
# What a sign that speaks against costs, and an unknown one: `signs`, then `helps`.
AGAINST, AGAINST_HELP = 0.02, 0.4
UNKNOWN, UNKNOWN_HELP = 0.25, 0.85
# Signs of other trouble: that there is none of it speaks for a cause, but is not told.
OTHER_TROUBLE = ("jump_share", "loss_top", "thick")
TOLD_FROM = 0.15  # less likely causes are not worth a line
SURE = 0.8
# Score -> likelihood. The scores of rendered nights against what was true of them; above the last
# value nothing is surer, because nights are of more kinds than were rendered.
SCORES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0)
LIKELIHOODS = (0.0, 0.04, 0.2, 0.4, 0.57, 0.7, 0.93)


@dataclass(frozen=True)
class NightCause:
    """A cause of the table. signs, helps: (sign, none, full). most: the likelihood at most."""

    key: str
    title: str
    family: str
    fault: str
    remedy: str
    signs: tuple[tuple[str, float, float], ...]
    helps: tuple[tuple[str, float, float], ...]
    needs: tuple[str, ...]
    most: float = 1.0


@dataclass(frozen=True)
class FoundCause:
    """A cause with its likelihood, 0 to 1, and its evidence as short sentences without full stop.

    missing: header facts that would make it surer, empty if none.
    """

    key: str
    title: str
    likelihood: float
    evidence: tuple[str, ...]
    against: tuple[str, ...]
    missing: tuple[str, ...]
    fault: str
    remedy: Remedy


def signs_of(line: NightLine) -> dict[str, float]:
    """All signs of a run, by name; unknown ones absent."""
    signs = field_of(line) | star_signs(line) | light_signs(line) | {"subs": float(len(line))}
    if "tilt" in signs:
        signs["tilt_over_bowl"] = signs["across"] / max(abs(signs["bowl"]), 0.05)
    # Haze dims the stars and lights the sky; dew on the glass widens the stars that it dims.
    lost = max(signs.get("loss_growth", math.nan), 0.1)
    signs["growth_per_mag"] = signs.get("growth", math.nan) / lost
    signs["sky_per_mag"] = signs.get("sky_rise", math.nan) / lost
    # Tracking draws all subs out, or some more than others where the optics have a stretch too.
    signs["motion_ra"] = max(
        (signs[k] for k in ("along_ra", "sway_ra") if k in signs), default=math.nan
    )
    # Without a flip dark clouds of the field stay nearly as still as dust: more has to be seen.
    flipped = bool(signs.get("has_flip"))
    spots = ramp(signs.get("spots_sigma", math.nan), *((3.5, 5.5) if flipped else (8.0, 14.0)))
    depth = ramp(signs.get("spots_pct", math.nan), 2.5, 4.5)
    seen = ramp(signs.get("dust_share", 0.0), 0.2, 0.5)
    alone = 0.7 if flipped else 0.4
    signs["dust_evidence"] = float(np.nanmax([seen, alone * spots * depth]))
    together = ramp(signs.get("ghost_pct", 0.0), 2.5, 5.0)
    signs["ghost_evidence"] = max(together, ramp(signs.get("ghost_share", 0.0), 0.2, 0.5))
    return {name: float(value) for name, value in signs.items() if math.isfinite(value)}


def ranked_causes(signs: Mapping[str, float], line: NightLine) -> list[FoundCause]:
    """Causes at least 0.15 likely, the likeliest first; none for runs of fewer than six subs."""
    if len(line) < LEAST_SUBS:
        return []
    likely = likelihoods(signs)
    found = [
        _found(cause, likely[cause.key], signs, line)
        for cause in night_causes().values()
        if likely[cause.key] >= TOLD_FROM
    ]
    return sorted(found, key=lambda one: -one.likelihood)


def likelihoods(signs: Mapping[str, float]) -> dict[str, float]:
    """Likelihood of every cause, by key."""
    scores = {key: score(cause, signs) for key, cause in night_causes().items()}
    families: dict[str, float] = {}
    for key, cause in night_causes().items():
        families[cause.family] = families.get(cause.family, 0.0) + scores[key] ** 2
    shared = {
        # Alone in its family a cause keeps its score; beside an equal one it keeps half.
        key: scores[key] ** 3 / max(families[cause.family], 1e-12)
        for key, cause in night_causes().items()
    }
    most = MOST_OF_FEW if signs.get("subs", math.inf) < SURE_SUBS else 1.0
    return {
        key: min(float(np.interp(shared[key], SCORES, LIKELIHOODS)), cause.most, most)
        for key, cause in night_causes().items()
    }


def score(cause: NightCause, signs: Mapping[str, float]) -> float:
    """Product over the signs of a cause, 0 to 1."""
    product = 1.0
    for name, none, full in cause.signs:
        part = ramp(signs.get(name, math.nan), none, full)
        product *= UNKNOWN if math.isnan(part) else max(part, AGAINST)
    for name, none, full in cause.helps:
        part = ramp(signs.get(name, math.nan), none, full)
        product *= UNKNOWN_HELP if math.isnan(part) else AGAINST_HELP + (1 - AGAINST_HELP) * part
    return product


def ramp(value: float, none: float, full: float) -> float:
    """0 at `none`, 1 at `full`, even between; either may be the greater; NaN stays NaN."""
    if math.isnan(value):
        return math.nan
    return float(min(1.0, max(0.0, (value - none) / (full - none))))


def _found(
    cause: NightCause, likelihood: float, signs: Mapping[str, float], line: NightLine
) -> FoundCause:
    words = _table()["signs"]
    told: list[str] = []
    against: list[str] = []
    for name, none, full in (*cause.signs, *cause.helps):
        if name not in signs or name not in words:
            continue
        part = ramp(signs[name], none, full)
        sentence = words[name].format(signs[name], ratio=2 ** signs[name] - 1).replace("%", " %")
        # That nothing else is wrong too is no evidence worth a line.
        is_absence = none > full and ((name, none, full) in cause.helps or name in OTHER_TROUBLE)
        if part >= 0.5 and not is_absence:
            told.append(sentence)
        elif part < 0.2 and sentence not in against:
            against.append(sentence)
    entry = next(one for one in remedies_of(cause.fault).causes if one.name == cause.remedy)
    missing = tuple(need for need in cause.needs if is_missing(need, line))
    return FoundCause(
        cause.key,
        cause.title,
        round(likelihood, 2),  # as it is told: words and figures must agree
        tuple(told),
        tuple(against),
        missing,
        cause.fault,
        entry,
    )


def is_missing(need: str, line: NightLine) -> bool:
    """Whether the headers of the run lack a fact that a cause needs."""
    if need == "site, pointing and time":
        return "moon_altitude_deg" not in line.of
    return not np.isfinite(line.of[need]).any()


@cache
def night_causes() -> dict[str, NightCause]:
    """The table of causes, by key, in its order."""
    return {
        key: NightCause(
            key=key,
            **{name: row[name] for name in ("title", "family", "fault", "remedy")},
            signs=tuple((name, low, high) for name, low, high in row["signs"]),
            helps=tuple((name, low, high) for name, low, high in row["helps"]),
            needs=tuple(row["needs"]),
            most=row.get("most", 1.0),
        )
        for key, row in _table()["causes"].items()
    }


@cache
def _table() -> dict[str, Any]:
    path = resources.files("classifier").joinpath("night_causes.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))
