"""Rendered, grafted and real frames beside one another, and their figures as words.

What the terminal, the page and the card have in common when they show an evaluation. Needs the
standard library and the vocabulary alone.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any

RENDERED, FILES, GRAFTED, REAL = "rendered", "rendered files", "grafted", "real"
UNKNOWN = "–"


def overviews(figures: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The overview of every kind of frame that the figures hold, in this order; what an older
    version wrote has none."""
    parts = {
        RENDERED: figures,
        FILES: figures.get("measured", {}),
        GRAFTED: figures.get("grafted", {}),
        REAL: figures.get("real", {}),
    }
    return {name: part["overview"] for name, part in parts.items() if "overview" in part}


def is_known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def share_text(value: float | None) -> str:
    """ "3.4 %", "87 %"."""
    if value is None or math.isnan(value):
        return UNKNOWN
    return f"{100 * value:.1f} %" if value < 0.0995 else f"{100 * value:.0f} %"


def interval_text(entry: Mapping[str, Any]) -> str:
    """ "0.81 (0.78 to 0.83)"; without its interval where nothing bounds it."""
    if not is_known(entry["value"]):
        return UNKNOWN
    if not (is_known(entry["low"]) and is_known(entry["high"])):
        return f"{entry['value']:.2f}"
    return f"{entry['value']:.2f} ({entry['low']:.2f} to {entry['high']:.2f})"


def share_interval_text(entry: Mapping[str, Any]) -> str:
    """ "3.4 % (1.9 % to 5.0 %)"; without its interval where nothing bounds it."""
    if not (is_known(entry["low"]) and is_known(entry["high"])):
        return share_text(entry["value"])
    return (
        f"{share_text(entry['value'])} ({share_text(entry['low'])} to {share_text(entry['high'])})"
    )


def error_text(entry: Mapping[str, Any]) -> str:
    """A calibration error, its interval and the floor."""
    if not is_known(entry["value"]):
        return UNKNOWN
    ends = f"{entry['low']:.3f} to {entry['high']:.3f}"
    return f"{entry['value']:.3f} ({ends}; floor {entry['floor']:.3f})"


def strength_text(entry: Mapping[str, Any] | None) -> str:
    """A strength with its interval: "7.4 (6.8 to 8.2)", or that it is not reached."""
    if entry is None or entry["reached"] == "unknown":
        return UNKNOWN
    if entry["reached"] == "never":
        return "not reached"
    if entry["reached"] == "always":
        return "below the weakest"
    ends = [f"{entry[end]:.3g}" if is_known(entry[end]) else "?" for end in ("low", "high")]
    return f"{entry['value']:.3g} ({ends[0]} to {ends[1]})"


# Of an overview: name, words, and how it is told.
COMMON: tuple[tuple[str, str, Callable[[Mapping[str, Any]], str]], ...] = (
    ("macro_average_precision", "macro average precision", interval_text),
    ("right_in_first_two", "right label in first or second place", share_interval_text),
    ("right_in_first_two_and_given", "the same, and a right label given", share_interval_text),
    ("clean_with_false_label", "clean frames with a false label", share_interval_text),
    ("clean_kept", "clean frames kept", share_interval_text),
    ("clean_dropped", "clean frames dropped", share_interval_text),
    ("classwise_calibration_error", "classwise calibration error", error_text),
)
