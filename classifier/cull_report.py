"""The cull as the report shows it: what every cut does to the stack, drawn and in words.

    rows = cull_rows(results)      # for `cull_report.html.j2`

All of it comes from `plan`, which tells more of the same. Runs of a few subs are left out: there
every sub counts.
"""

from collections.abc import Callable, Sequence
from typing import Any

from classifier.plan import AIMS, Curve, RunPlan, plan_night
from classifier.plan_text import choices, sentences
from classifier.results import Results
from classifier.small_plot import HIGH, WIDE, Axis, axis_of, broken_lines, tick_rows
from classifier.stacking import Stack
from classifier.wording import duration

LEAST_SUBS = 6  # as for the causes of a run
AIM = "both"
SKIPPED = 5  # a stack of the first fifth is so shallow that it would press the rest flat


def cull_rows(results: Results) -> list[dict[str, Any]]:
    """What the template shows of every run with enough measured subs."""
    return [_run(plan) for plan in plan_night(results, least_subs=LEAST_SUBS)]


def _run(plan: RunPlan) -> dict[str, Any]:
    whole = plan.everything.stack
    wanted: tuple[tuple[str, str, Callable[[Stack], float], float], ...] = (
        ("Depth against all subs", "mag", lambda s: s.depth_mag - whole.depth_mag, 0.1),
        ("FWHM of the stack", "px", lambda s: s.fwhm_px, 0.1 * whole.fwhm_px),
        ("Elongation of the stack", "", lambda s: s.elongation, 0.1),
        ("Exposure in the stack", "min", lambda s: s.exposure_s / 60, 1.0),
    )
    return {
        "run": plan.run,
        "count": len(plan.names),
        "sentences": sentences(plan, AIM),
        "choices": [
            {
                "name": name,
                "subs": cut.kept,
                "time": duration(cut.stack.exposure_s),
                "depth": f"{cut.deeper_mag + 0.0:+.2f}",
                "fwhm": f"{cut.stack.fwhm_px:.2f}",
                "elongation": f"{cut.stack.elongation:.2f}",
                "noise": f"{cut.stack.noise / whole.noise:.2f}",
            }
            for name, cut in choices(plan).items()
        ],
        "aims": list(AIMS),
        "plots": [_plot(plan, *each) for each in wanted],
        "ticks": [
            {"share": f"{_across(value, plan) * 100 / WIDE:.2f}", "words": words}
            for value, words in axis_of((1, len(plan.names)), 5).ticks
            if 1 <= value <= len(plan.names) and value % 1 == 0
        ],
    }


def _plot(
    plan: RunPlan, title: str, unit: str, value: Callable[[Stack], float], least: float
) -> dict[str, Any]:
    """One quantity over the number of subs kept, a curve for every aim."""
    cuts = [cut.kept for cut in plan.recommended.values()]
    first = min(len(plan.names) // SKIPPED, min(cuts) - 1)
    shown = [value(stack) for curve in plan.curves.values() for stack in curve.stacks[first:]]
    axis = axis_of(shown, least_span=least)
    return {
        "title": title,
        "unit": unit,
        "ticks": tick_rows(axis),
        "curves": [
            {"aim": aim, **_curve(plan, curve, value, axis, first)}
            for aim, curve in plan.curves.items()
        ],
        "told": [
            f"{aim}: {value(plan.recommended[aim].stack) + 0.0:.2f} {unit}".rstrip()
            + f" with {plan.recommended[aim].kept} subs"
            for aim in AIMS
        ],
    }


def _curve(
    plan: RunPlan, curve: Curve, value: Callable[[Stack], float], axis: Axis, first: int
) -> dict[str, Any]:
    points: Sequence[tuple[float, float]] = [
        (_across(number, plan), HIGH * (1 - axis.share(value(stack))))
        for number, stack in enumerate(curve.stacks, 1)
    ]
    x, y = points[plan.recommended[curve.aim].kept - 1]
    return {"parts": broken_lines(points[first:]), "x": f"{x:.1f}", "y": f"{y:.1f}"}


def _across(number: float, plan: RunPlan) -> float:
    return 10 + (WIDE - 20) * (number - 1) / (len(plan.names) - 1)
