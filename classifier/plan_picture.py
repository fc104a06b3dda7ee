"""The curves of a plan, drawn: what every cut does to depth, width, roundness and time."""

from typing import TYPE_CHECKING

from classifier.figure_file import BLUE, GREEN, ORANGE, new_figure
from classifier.plan import RunPlan
from classifier.stacking import Stack

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Colour, line and mark each tell the aims apart, for prints without colour too.
LOOK = {
    "depth": (BLUE, "-", "o"),
    "both": (GREEN, "--", "s"),
    "sharpness": (ORANGE, ":", "^"),
}
TITLE_LENGTH = 100


def plan_figure(plan: RunPlan) -> "Figure":
    """Four panels over the number of subs kept, the most useful first for each aim."""
    whole = plan.everything.stack
    panels = (
        ("depth against all subs (mag)", lambda stack: stack.depth_mag - whole.depth_mag, 0.1),
        ("FWHM of the stack (px)", lambda stack: stack.fwhm_px, 0.1 * whole.fwhm_px),
        ("elongation of the stack", lambda stack: stack.elongation, 0.1),
        ("exposure in the stack (min)", lambda stack: stack.exposure_s / 60, 0.0),
    )
    figure = new_figure(8.5, 6.2)
    # Runs may be named by their target: text of a header is text, never mathematics.
    figure.suptitle(plan.run[:TITLE_LENGTH], fontsize=9, x=0.01, ha="left", parse_math=False)
    axes = figure.subplots(2, 2, sharex=True)
    for panel, (title, value, least_span) in zip(axes.flat, panels, strict=True):
        _draw(panel, plan, value, least_span)
        panel.set_title(title, fontsize=9, loc="left")
        panel.grid(alpha=0.25)
        panel.tick_params(labelsize=8)
    axes[0, 0].axhline(0.0, color="black", linewidth=0.6)
    axes[0, 0].legend(fontsize=8, title="in order of use for", title_fontsize=8)
    for panel in axes[1]:
        panel.set_xlabel("subs kept (the mark: recommended)", fontsize=8)
    return figure


def _draw(panel, plan: RunPlan, value, least_span: float) -> None:
    """One quantity; `least_span` keeps differences that nobody sees from looking large."""
    shown: list[float] = []
    for aim, curve in plan.curves.items():
        colour, line, mark = LOOK[aim]
        heights = [value(stack) for stack in curve.stacks]
        counts = range(1, len(heights) + 1)
        panel.plot(counts, heights, color=colour, linestyle=line, linewidth=1.6, label=aim)
        kept = plan.recommended[aim].kept
        panel.plot(kept, heights[kept - 1], mark, color=colour, markersize=7, mfc="none", mew=1.8)
        shown += heights[max(0, _first_shown(curve.stacks)) :]
    low, high = min(shown), max(shown)
    margin = max(0.08 * (high - low), (least_span - (high - low)) / 2) or 0.05 * (abs(high) or 1.0)
    panel.set_ylim(low - margin, high + margin)
    panel.set_xlim(0.5, len(plan.names) + 0.5)


def _first_shown(stacks: list[Stack]) -> int:
    """Stacks of a few subs are so shallow that they would press the rest of the curve flat."""
    return len(stacks) // 5
