"""Figures of an evaluation as tables for the terminal."""

from typing import Any

from rich.table import Table

from classifier.vocabulary import KEYS, Verdict
from training.side_by_side import COMMON, interval_text, overviews, share_text, strength_text


def fault_table(figures: dict[str, Any]) -> Table:
    """The figures per fault: average precision, and the strengths at which it is found."""
    table = Table(box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    for title in ("frames", "AP", "recall", "false alarms", "ECE", "50 % found", "95 % found"):
        table.add_column(title, justify="right")
    for key, row in figures["faults"].items():
        low, high = row["average_precision_interval"]
        strengths = row.get("sensitivity", {})
        table.add_row(
            key,
            str(row["positives"]),
            f"{row['average_precision']:.2f} ({low:.2f} to {high:.2f})",
            f"{row['recall']:.2f}",
            f"{row['false_alarms']:.3f}",
            f"{row['calibration_error']:.3f}",
            strength_text(strengths.get("strength_50")),
            strength_text(strengths.get("strength_95")),
        )
    return table


def common_table(figures: dict[str, Any]) -> Table:
    """What rendered, grafted and real frames have in common, a column for each."""
    columns = overviews(figures)
    table = Table(box=None, padding=(0, 1))
    table.add_column("")
    for name in columns:
        table.add_column(name, justify="right")
    table.add_row("frames", *(f"{told['frames']:,}" for told in columns.values()))
    for name, title, text in COMMON:
        table.add_row(title, *(text(told[name]) for told in columns.values()))
    for key in KEYS:
        told_of = [told["faults"][key] for told in columns.values()]
        if any(row["positives"] for row in told_of):
            table.add_row(f"AP {key}", *(interval_text(r["average_precision"]) for r in told_of))
    for kind in ("clean", "unsure", "mendable", "spoilt", "not_sky"):
        rows = [told["verdicts"][kind] for told in columns.values()]
        table.add_row(f"{kind.replace('_', ' ')}: keep / look / drop", *map(_verdicts, rows))
    return table


def _verdicts(row: dict[str, Any]) -> str:
    if not row["frames"]:
        return "-"
    return " / ".join(share_text(row[verdict]["value"]) for verdict in Verdict)


def measured_table(figures: dict[str, Any]) -> Table:
    """Average precision of network, measures and both, and what the measures add to it."""
    title = f"Average precision on {figures['frames']} subs labelled as files"
    table = Table(title=title, title_justify="left", box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    answers = ("network", "verdicts", "forest", "paired", "together")
    for name in (*answers, "gained by pairing"):
        table.add_column(name, justify="right", no_wrap=True)
    for key, row in figures["faults"].items():
        values = (f"{row[name]['average_precision']:.2f}" for name in answers)
        table.add_row(key, *values, _gained(row["gain"]["paired"]))
    macro = figures["macro_average_precision"]
    values = (f"{macro[name]['value']:.2f}" for name in answers)
    table.add_row("mean", *values, _gained(macro["gain"]["paired"]), style="bold")
    return table


def _gained(gain: dict[str, Any]) -> str:
    low, high = gain["interval"]
    return f"{gain['value']:+.2f} ({low:+.2f} to {high:+.2f})"
