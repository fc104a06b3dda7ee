"""Figures of an evaluation as tables for the terminal."""

from typing import Any

from rich.table import Table

from classifier.vocabulary import KEYS, Verdict
from training.side_by_side import COMMON, UNKNOWN, interval_text, overviews, share_text


def fault_table(figures: dict[str, Any]) -> Table:
    """The figures per fault: average precision, and the strengths at which it is found."""
    table = Table(box=None, padding=(0, 1, 0, 0))
    table.add_column("fault", no_wrap=True)
    for title in ("frames", "AP (95 %)", "recall", "false", "ECE", "50 %", "95 %"):
        table.add_column(title, justify="right", no_wrap=True)
    for key, row in figures["faults"].items():
        low, high = row["average_precision_interval"]
        entry = {"value": row["average_precision"], "low": low, "high": high}
        strengths = row.get("sensitivity", {})
        table.add_row(
            key,
            str(row["positives"]),
            interval_text(entry),
            share_text(row["recall"]),
            share_text(row["false_alarms"]),
            f"{row['calibration_error']:.3f}",
            *(_strength(strengths.get(name)) for name in ("strength_50", "strength_95")),
        )
    return table


def _strength(entry: dict[str, Any] | None) -> str:
    """The strength at which so many are found, without its interval, which the page has."""
    if entry is None or entry["reached"] == "unknown":
        return UNKNOWN
    return f"{entry['value']:.3g}" if entry["reached"] == "inside" else entry["reached"]


def common_table(figures: dict[str, Any]) -> Table:
    """What rendered, grafted and real frames have in common, a column for each."""
    columns = overviews(figures)
    table = Table(box=None, padding=(0, 1, 0, 0))
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
        if any(row["frames"] for row in rows):
            words = kind.replace("_", " ")
            table.add_row(f"{words}: keep / look / drop", *map(_verdicts, rows))
    return table


def _verdicts(row: dict[str, Any]) -> str:
    if not row["frames"]:
        return "-"
    return " / ".join(f"{100 * row[verdict]['value']:.0f}" for verdict in Verdict) + " %"


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
