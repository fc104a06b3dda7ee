"""Light budgets told to people and to programs: sky, inputs and their origins, lengths, depth."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from classifier import exposure
from classifier.camera_facts import ASSUMED, GIVEN, Known
from classifier.light_budget import LightBudget
from classifier.results import plain
from classifier.wording import capital, counted, duration, quantity

SCHEMA = "nightcull/exposure-1"
USUAL_EXCESSES = (0.02, 0.05, 0.10)
LONG_S = 1800.0  # beyond, mounts, satellites and lost subs set the length (cp)
# Band in nm by the name of a filter, and what air, optics and sensor let through (cp).
NARROW_NM, BROAD_NM, CLEAR_NM, THROUGHPUT = 7.0, 90.0, 280.0, 0.5
NARROW = ("h", "ha", "halpha", "hb", "hbeta", "o3", "oiii", "s2", "sii", "n2", "nii")
CLEAR = ("l", "lum", "luminance", "clear", "c", "none", "uvir", "iruv")


@dataclass(frozen=True)
class Goal:
    """What is asked for: noise excess, and optionally a star's magnitude and signal-to-noise."""

    excess: float = 0.05
    depth_mag: float | None = None
    snr: float = 5.0
    zero_point_mag: float | None = None


def groups(budgets: Sequence[LightBudget]) -> list[list[LightBudget]]:
    """Budgets of one filter, exposure and gain together, in order of appearance."""
    found: dict[tuple, list[LightBudget]] = {}
    for budget in budgets:
        gain = budget.camera.gain_e_adu
        # A gain measured from each sub's own noise differs a little from sub to sub.
        key = (budget.filter, budget.exposure_s, gain.value if gain.note == "" else gain.origin)
        found.setdefault(key, []).append(budget)
    return list(found.values())


def typical(members: Sequence[LightBudget]) -> LightBudget:
    """The sub whose sky is the middle one."""
    return sorted(members, key=lambda budget: budget.rate_e_per_s)[(len(members) - 1) // 2]


def zero_point(budget: LightBudget, goal: Goal) -> Known:
    """Magnitude of one electron per second: given, or assumed from aperture and filter."""
    if goal.zero_point_mag is not None:
        return Known(goal.zero_point_mag, GIVEN)
    aperture = budget.aperture_mm.value
    if aperture is None:
        return Known(None, "unknown")
    name = "".join(c for c in (budget.filter or "").lower() if c.isalnum())
    band = NARROW_NM if name in NARROW else CLEAR_NM if name in CLEAR else BROAD_NM
    note = (
        f"aperture {aperture:.0f} mm, band {band:.0f} nm, {100 * THROUGHPUT:.0f} % of the light "
        "used: good to half a magnitude"
    )
    return Known(exposure.zero_point_mag(aperture, band, THROUGHPUT), ASSUMED, note)


def show_budgets(console: Console, budgets: Sequence[LightBudget], goal: Goal) -> None:
    for members in groups(budgets):
        middle = typical(members)
        title = f"{middle.filter or 'filter unknown'}, {counted(len(members), 'sub')}"
        console.print(Text(f"{title} of {_seconds(middle.exposure_s)}", style="bold"))
        console.print(_inputs(members, middle, goal))
        console.print(_lengths(middle, goal))
        for sentence in sentences(middle, goal):
            console.print(Text(sentence))
        console.print()


def _inputs(members: Sequence[LightBudget], middle: LightBudget, goal: Goal) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    for _ in range(3):
        table.add_column()
    camera = middle.camera
    for colour, rate in middle.sky_e_per_s.items():
        told = quantity(rate, "e/s/px")
        others = [budget.sky_e_per_s.get(colour, rate) for budget in members]
        if len(members) > 1:
            told += f" ({quantity(min(others), '')} to {quantity(max(others), '')})"
        table.add_row(f"sky {colour}".strip(), told, _origin(middle.sky))
    rows = (
        ("read noise", camera.read_noise_e, "e"),
        ("gain", camera.gain_e_adu, "e/ADU"),
        ("offset", camera.offset_adu, "ADU"),
        ("dark current", camera.dark_e_per_s, "e/s/px"),
        ("saturation", camera.saturation_adu, "ADU"),
    )
    for name, known, unit in rows:
        value = "unknown" if known.value is None else quantity(known.value, unit)
        if name == "dark current" and known.value is None:
            value = "unknown, taken as none"
        table.add_row(name, value, "" if known.value is None else _origin(known))
    zero = zero_point(middle, goal)
    if zero.value is not None:
        table.add_row("one e/s is", f"magnitude {zero.value:.2f}", _origin(zero))
    return table


def _origin(known: Known) -> Text:
    told = f"{known.origin}: {known.note}" if known.note else known.origin
    return Text(told, style="yellow" if known.origin == ASSUMED else "dim")


def lengths(budget: LightBudget, goal: Goal) -> list[tuple[float, float]]:
    """(seconds, noise excess) of the lengths worth showing, the sub's own included, ascending."""
    excesses = sorted({*USUAL_EXCESSES, goal.excess}, reverse=True)
    rows = [(budget.sub_length_s(excess), excess) for excess in excesses]
    rows.append((budget.exposure_s, budget.noise_excess))
    return sorted(row for row in rows if math.isfinite(row[0]))


def _lengths(budget: LightBudget, goal: Goal) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0))
    for name in ("sub length", "read noise adds", "stars saturated", "pixels clipped"):
        table.add_column(name, justify="right", no_wrap=True)
    for seconds, excess in lengths(budget, goal):
        burnt = budget.at_length(seconds)
        stars = clipped = "unknown"
        if burnt is not None:
            most = "<= " if burnt.at_most and burnt.stars else ""
            stars = f"{most}{burnt.stars:.0f}"
            clipped = f"{most}{100 * burnt.clipped_share:.3f} %"
        own = seconds == budget.exposure_s
        table.add_row(
            _seconds(seconds) + (" (as taken)" if own else ""),
            f"{100 * excess:.1f} %",
            stars,
            clipped,
            style="bold" if not own and excess == goal.excess else "",
        )
    return table


def sentences(budget: LightBudget, goal: Goal) -> list[str]:
    """What to do, and how sure that is."""
    wanted, own = budget.sub_length_s(goal.excess), budget.exposure_s
    share = 100 * budget.read_noise_share
    told = [
        f"Read noise makes {share:.1f} % of the variance of the sky in these subs and adds "
        f"{100 * budget.noise_excess:.1f} % to its noise."
    ]
    if own >= wanted:
        told.append(
            f"They are long enough: {_seconds(wanted)} would do for {_percent(goal.excess)}."
        )
    else:
        told.append(f"They are too short for {_percent(goal.excess)}: take {_seconds(wanted)}.")
    if wanted > LONG_S:
        told.append(
            "That is longer than most mounts and skies allow: take the longest subs that come out "
            "round, and more of them."
        )
    if len(budget.sky_e_per_s) > 1:
        dimmest = min(budget.sky_e_per_s, key=lambda colour: budget.sky_e_per_s[colour])
        told.append(f"The dimmest colour, {dimmest}, decides.")
    told += depth_words(budget, goal)
    told += [f"{capital(note)}." for note in budget.notes]
    return told


def depth_words(budget: LightBudget, goal: Goal) -> list[str]:
    """Total time for the star asked for, or how deep an hour goes."""
    zero = zero_point(budget, goal)
    if zero.value is None or budget.fwhm_px is None:
        lacking = "stars" if budget.fwhm_px is None else "a zero point"
        if goal.depth_mag is None:
            return ["Every magnitude deeper takes 6.3 times the total time."]
        add = "" if budget.fwhm_px is None else "; give --zero-point, or --aperture to assume one"
        return [f"The time for magnitude {goal.depth_mag:g} cannot be told without {lacking}{add}."]
    # Subs that are long enough stay as they are; nobody wants thousands of short ones.
    seconds = max(budget.exposure_s, min(budget.sub_length_s(goal.excess), LONG_S))
    area = exposure.star_area_px(budget.fwhm_px)
    ground = (budget.rate_e_per_s, budget.read_noise_e, area, seconds)
    told = []
    if budget.scale_arcsec:
        rate = min(budget.sky_e_per_s.values()) / budget.scale_arcsec**2
        sky = zero.value - 2.5 * math.log10(rate)
        told.append(f"The sky then has {sky:.1f} mag per square arcsec.")
    if goal.depth_mag is None:
        light = exposure.faintest_e_per_s(goal.snr, *ground, subs=3600 / seconds)
        limit = zero.value - 2.5 * math.log10(light)
        told.append(
            f"An hour of subs of {_seconds(seconds)} shows stars of magnitude {limit:.1f} at "
            f"S/N {goal.snr:g}; every magnitude deeper takes 6.3 times the time."
        )
        return told
    light = 10 ** (0.4 * (zero.value - goal.depth_mag))
    subs = math.ceil(exposure.subs_for(goal.snr, light, *ground))
    told.append(
        f"Magnitude {goal.depth_mag:g} at S/N {goal.snr:g} takes {counted(subs, 'sub')} of "
        f"{_seconds(seconds)}, {duration(subs * seconds)} in all."
    )
    return told


def _percent(excess: float) -> str:
    return f"{100 * excess:g} %"


def _seconds(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "no length"
    return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.2g} s"


def exposure_json(budgets: Sequence[LightBudget], goal: Goal) -> dict[str, Any]:
    """Every sub with its inputs, their origins, and the lengths."""
    return plain(
        {
            "schema": SCHEMA,
            "excess": goal.excess,
            "subs": [_budget_json(budget, goal) for budget in budgets],
        }
    )


def _budget_json(budget: LightBudget, goal: Goal) -> dict[str, Any]:
    camera, burns = budget.camera, []
    for seconds, excess in lengths(budget, goal):
        burnt = budget.at_length(seconds)
        row: dict[str, Any] = {"seconds": seconds, "noise_excess": excess}
        if burnt is not None:
            row |= {
                "stars_saturated": burnt.stars,
                "pixels_clipped": burnt.clipped_share,
                "at_most": burnt.at_most,
            }
        burns.append(row)
    known = {name: vars(getattr(camera, name)) for name in vars(camera)}
    return {
        "name": budget.name,
        "filter": budget.filter,
        "exposure_s": budget.exposure_s,
        "sky_e_per_s": budget.sky_e_per_s,
        "sky_origin": {"origin": budget.sky.origin, "note": budget.sky.note},
        "camera": known,
        "zero_point_mag": vars(zero_point(budget, goal)),
        "noise_excess": budget.noise_excess,
        "read_noise_share": budget.read_noise_share,
        "sub_length_s": budget.sub_length_s(goal.excess),
        "lengths": burns,
        "told": sentences(budget, goal),
    }
