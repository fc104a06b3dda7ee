"""The outlines of the subs over the reference, drawn: what lies where, and what all share."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from classifier.figure_file import BLUE, DARK, GREY, ORANGE, new_figure
from classifier.framing import Framing, StarField, corners, shared_outline

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NAMED = 4  # outlines with their names beside them; more would cover each other
STARS_SHOWN = 150


def framing_figure(reference: StarField, framings: Sequence[Framing]) -> "Figure":
    """Outlines in pixels of the reference, its first row at the top as in its picture."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch, Polygon

    everything = np.concatenate([corners(reference.size_px), *(f.outline for f in framings)])
    low, high = everything.min(0), everything.max(0)
    wide, tall = high - low
    scale = 8.0 / max(wide, 1.25 * tall)
    figure = new_figure(wide * scale + 1.2, tall * scale + 1.6)
    axes = figure.add_subplot()
    shared = shared_outline(framings, reference.size_px)
    if len(shared) > 2:
        axes.add_patch(Polygon(shared, facecolor=BLUE, alpha=0.10, linewidth=0))
    stars = reference.stars[:STARS_SHOWN]
    if len(stars):
        # Brighter stars larger, for orientation only.
        sizes = np.linspace(12, 1.5, len(stars))
        axes.scatter(stars[:, 0], stars[:, 1], s=sizes, color=GREY, linewidths=0, zorder=1)
    off = [framing for framing in framings if framing.is_mismatch]
    for framing in framings:
        colour = ORANGE if framing.is_mismatch else BLUE
        outline = Polygon(framing.outline, fill=False, edgecolor=colour, linewidth=0.9, alpha=0.9)
        axes.add_patch(outline)
        # A mark on the side of the first row shows flips and half turns.
        axes.plot(*framing.outline[:2].mean(0), marker="o", markersize=3, color=colour)
    for number, framing in enumerate(off[:NAMED]):
        corner = framing.outline[number % 4]
        # A dollar sign in a name is no formula.
        axes.annotate(
            framing.name,
            corner,
            fontsize=7,
            color=ORANGE,
            ha="center",
            va="bottom",
            parse_math=False,
        )
    axes.add_patch(
        Polygon(corners(reference.size_px), fill=False, edgecolor=DARK, linewidth=2.2, zorder=3)
    )
    margin = 0.04 * max(wide, tall)
    axes.set_xlim(low[0] - margin, high[0] + margin)
    axes.set_ylim(high[1] + margin, low[1] - margin)  # the first row at the top
    axes.set_aspect("equal")
    axes.set_xlabel("x (pixels of the reference)")
    axes.set_ylabel("y (pixels of the reference, first row at the top)")
    axes.set_title(f"Framing against {reference.name}", fontsize=10, loc="left", parse_math=False)
    handles = [
        Line2D([], [], color=DARK, linewidth=2.2, label="reference"),
        Line2D(
            [], [], color=BLUE, marker="o", markersize=3, label="subs that fit (dot: first row)"
        ),
        Line2D([], [], color=ORANGE, marker="o", markersize=3, label="turned or shifted too far"),
        Patch(facecolor=BLUE, alpha=0.2, label="what all share"),
    ]
    axes.legend(
        handles=handles, fontsize=7, ncols=4, loc="upper center", bbox_to_anchor=(0.5, -0.1)
    )
    return figure
