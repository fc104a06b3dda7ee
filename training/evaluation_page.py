"""An evaluation as one self-contained page: what a model finds, how sure it is, what it mixes up.

`write_page` makes it from the figures alone, as they stand in an evaluation's JSON; what an older
version did not write is left out.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from classifier.errors import UsageError
from classifier.results import write_whole
from classifier.vocabulary import FAULTS, KEYS, Verdict, fault
from classifier.wording import capital
from training.evaluation_plots import (
    HEIGHT,
    ROW,
    WIDTH,
    precision_dots,
    reliability_marks,
    sensitivity_panel,
)
from training.side_by_side import (
    COMMON,
    FILES,
    GRAFTED,
    REAL,
    RENDERED,
    interval_text,
    is_known,
    overviews,
    share_interval_text,
    share_text,
)

DOTS_WIDTH = 560.0
KINDS = {
    "clean": "clean",
    "unsure": "without a fault that anybody can tell",
    "mendable": "faulty, none that spoils",
    "spoilt": "spoilt",
    "not_sky": "no star field",
}
SHOWN_CONFUSION = 0.01
COLOURS = {RENDERED: "k0", GRAFTED: "k1", REAL: "k2", FILES: "k3"}  # classes of the template


def write_page(figures: Mapping[str, Any], path: Path) -> Path:
    """Write the page; UsageError where it is there already or cannot be written."""
    if path.exists():
        raise UsageError(f"{path} exists already and is not written over; give another name.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        return write_whole(path, render_page(figures))
    except OSError as error:
        raise UsageError(
            f"The page {path} cannot be written ({error.strerror}); name a place where you may "
            "write."
        ) from error


def render_page(figures: Mapping[str, Any]) -> str:
    """The page as text."""
    from classifier.web_page import rendered

    return rendered("evaluation.html.j2", page(figures), folder=Path(__file__).parent)


def page(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Everything the template shows."""
    columns = overviews(figures)
    tables = {RENDERED: figures, GRAFTED: figures.get("grafted"), REAL: figures.get("real")}
    present = {kind: part for kind, part in tables.items() if part is not None}
    return {
        "model": figures["model"],
        "sha256": figures["weights_sha256"],
        "macro": interval_text(figures["macro_average_precision"]),
        "frames": f"{figures['frames']:,}",
        "runs": f"{figures['runs']:,}",
        "titles": {row.key: capital(row.title) for row in FAULTS},
        "kinds": list(columns),
        "colours": COLOURS,
        "common": [
            (title, [text(told[name]) for told in columns.values()]) for name, title, text in COMMON
        ],
        "counts": [
            f"{told['frames']:,} ({told['groups']:,}; {told['clean_frames']:,})"
            for told in columns.values()
        ],
        "fault_rows": _fault_rows(columns),
        "dots": precision_dots(KEYS, columns, DOTS_WIDTH),
        "dots_width": DOTS_WIDTH,
        "row_height": ROW,
        "verdicts": _verdicts(columns),
        "left_out": next((t["verdicts_left_out"] for t in columns.values()), ""),
        "panels": _panels(present),
        "pairs": _pairs(present),
        "width": WIDTH,
        "height": HEIGHT,
        "reliability": [
            (key, reliability_marks(row["reliability"]), _error(row))
            for key, row in figures["faults"].items()
        ],
        "confusions": {kind: _confusion(part["confusion"]) for kind, part in present.items()},
        "wrong": figures.get("real", {}).get("judged_wrong", []),
        "notes": [
            (kind, note)
            for kind in ("grafted", "real")
            for note in figures.get(kind, {}).get("notes", [])
        ],
    }


def _fault_rows(columns: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for key in KEYS:
        told = [column["faults"][key] for column in columns.values()]
        cells = [
            {
                "positives": row["positives"],
                "precision": interval_text(row["average_precision"]),
                "recall": share_text(row["recall"]["value"]),
                "false": share_text(row["false_alarms_on_clean"]["value"]),
            }
            for row in told
        ]
        rows.append({"key": key, "cells": cells})
    return rows


def _verdicts(columns: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Per kind of truth and of frames: how many, and the share and words of each verdict."""
    rows = []
    for kind, words in KINDS.items():
        for name, told in columns.items():
            row = told["verdicts"][kind]
            if row["frames"]:
                parts = [
                    (str(v), 100 * row[v]["value"], share_interval_text(row[v])) for v in Verdict
                ]
                rows.append(
                    {"truth": words, "kind": name, "frames": f"{row['frames']:,}", "parts": parts}
                )
    return rows


def _panels(parts: Mapping[str, Any]) -> list[Any]:
    panels = []
    for row in FAULTS:
        kinds = {
            kind: part["faults"][row.key].get("sensitivity", {})
            for kind, part in parts.items()
            if "faults" in part
        }
        panel = sensitivity_panel(row, kinds)
        if panel is not None:
            panels.append(panel)
    return panels


def _pairs(parts: Mapping[str, Any]) -> list[tuple[str, float, Any]]:
    """Faults that are the same light, found as either of the two."""
    pairs = []
    for name, told in parts[RENDERED].get("same_light", {}).items():
        kinds = {
            kind: part["same_light"][name].get("sensitivity", {})
            for kind, part in parts.items()
            if "same_light" in part
        }
        panel = sensitivity_panel(fault(name.split(" or ")[0]), kinds)
        if panel is not None:
            level = told["told_apart_from"]  # one number in figures of older versions
            pairs.append((name, level[0] if isinstance(level, list) else level, panel))
    return pairs


def _error(row: Mapping[str, Any]) -> str:
    words = f"ECE {row['calibration_error']:.3f}"
    low, high = row.get("calibration_error_interval", (float("nan"),) * 2)
    if is_known(low) and is_known(high):
        words += f" ({low:.3f} to {high:.3f})"
    return f"{words}, floor {row['calibration_error_floor'][0]:.3f}"


def _confusion(shares: Mapping[str, Mapping[str, float]]) -> list[tuple[str, list[Any]]]:
    """Rows of (tint in %, words) cells; None on the diagonal."""
    rows = []
    for key in KEYS:
        cells: list[Any] = []
        for other in KEYS:
            share = shares[key].get(other)
            if share is None:
                cells.append(None)
            elif not is_known(share):
                cells.append((0, "·"))
            else:
                words = f"{100 * share:.0f}" if share >= SHOWN_CONFUSION else ""
                cells.append((round(min(100.0, 180 * share**0.7)), words))
        rows.append((key, cells))
    return rows
