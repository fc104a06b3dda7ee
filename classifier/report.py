"""The report of a night: one self-contained HTML page that asks nothing of any network.

`write_report(results, folder)` prepares plain rows here and in the modules named `*_report`, and
leaves the page to `report.html.j2`; `web_page` sees to it that text from headers stays text.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from classifier.cost_report import costs_of, found_rows, loss, nameless
from classifier.cull_report import cull_rows
from classifier.night import summarise
from classifier.night_report import night_rows
from classifier.pointings import UNNAMED
from classifier.prior import prior_sentence
from classifier.remedies import FOOTER, cautions, remedy
from classifier.results import REPORT_NAME, FrameResult, Results, write_whole
from classifier.sub_report import NUMBERS, sub_blocks
from classifier.vocabulary import KEYS, Verdict, fault
from classifier.web_page import rendered
from classifier.wording import counted, duration, joined

TARGETS = 3  # named in the heading
RUNS = 8  # with a row of their own; a folder of odd files has dozens of runs of one


def write_report(results: Results, folder: Path) -> Path:
    """Write `report.html` into the folder; returns where it is."""
    return write_whole(folder / REPORT_NAME, render_report(results))


def render_report(results: Results) -> str:
    """The page as text."""
    return rendered("report.html.j2", page(results), "report.js")


def page(results: Results) -> dict[str, Any]:
    """Everything the template shows."""
    read = [frame for frame in results.frames if not frame.error]
    anchors = {frame.path: f"sub-{i}" for i, frame in enumerate(results.frames, 1)}
    verdicts = {frame.path: str(frame.verdict) for frame in read}
    return {
        "summary": summarise(results),
        "night": _when(read),
        "targets": _targets(read),
        "lead": _lead(read),
        "shares": _shares(read),
        "made_with": results.made_with,
        "prior": prior_sentence(results.prior),
        "costs": costs_of(results),
        "anchors": anchors,
        "nameless": nameless(results),
        "found": found_rows(results),
        "readings": night_rows(results.readings, anchors, verdicts),
        "culls": cull_rows(results),
        "blocks": sub_blocks(results.frames, anchors, results.readings),
        "columns": [f"{title} ({unit})" if unit else title for _, title, unit, _ in NUMBERS],
        "rows": [_row(frame, anchors[frame.path]) for frame in read],
        "unreadable": results.unreadable,
        "skipped": results.skipped,
        "remedies": [remedy(key) for key in KEYS],
        "cautions": cautions(),
        "advice": FOOTER,
    }


def _when(frames: Sequence[FrameResult]) -> str:
    """First and last exposure, as the headers tell the time."""
    times = sorted(t for frame in frames if (t := frame.numbers.get("time_mjd")) is not None)
    if not times:
        return ""
    first, last = (_moment(times[0]), _moment(times[-1]))
    if first.date() == last.date():
        return f"{first:%Y-%m-%d, %H:%M} to {last:%H:%M} UTC"
    return f"{first:%Y-%m-%d, %H:%M} to {last:%Y-%m-%d, %H:%M} UTC"


def _moment(mjd: float) -> datetime:
    return datetime(1858, 11, 17) + timedelta(days=mjd)


def _targets(frames: Sequence[FrameResult]) -> str:
    """The targets, as the runs are named after them."""
    heads = (frame.run.split(" | ")[0] for frame in frames)
    names = [name for name in dict.fromkeys(heads) if name not in ("", UNNAMED)]
    if len(names) <= TARGETS:
        return joined(names)
    return f"{', '.join(names[:TARGETS])} and {len(names) - TARGETS} more"


def _lead(frames: Sequence[FrameResult]) -> str:
    """The night in one sentence or two."""
    if not frames:
        return ""
    words = {
        Verdict.KEEP: ("is worth stacking", "are worth stacking"),
        Verdict.LOOK: ("wants your own eye", "want your own eye"),
        Verdict.DROP: ("should stay out", "should stay out"),
    }
    told = []
    for verdict, (one, many) in words.items():
        mine = loss([frame for frame in frames if frame.verdict == verdict])
        if mine.count:
            hours = f" ({duration(mine.seconds)})" if mine.seconds else ""
            told.append(f"{mine.count:,} {one if mine.count == 1 else many}{hours}")
    whole = loss(frames)
    of = f" ({duration(whole.seconds)} of exposure)" if whole.seconds else ""
    return f"Of {counted(whole.count, 'sub')}{of} {joined(told)}."


def _shares(frames: Sequence[FrameResult]) -> list[dict[str, Any]]:
    """Keep, look and drop of all, and for every run if there are several: the largest ones one by
    one, the others together."""
    runs: dict[str, list[FrameResult]] = {}
    for frame in frames:
        runs.setdefault(frame.run, []).append(frame)
    if len(runs) < 2:
        return [_share(run, members) for run, members in runs.items()]
    shown = set(runs)
    if len(runs) > RUNS:
        shown = set(sorted(runs, key=lambda run: -len(runs[run]))[: RUNS - 1])
    rows = [_share("All runs", frames)]
    rows += [_share(run, members) for run, members in runs.items() if run in shown]
    others = [frame for frame in frames if frame.run not in shown]
    if others:
        rows.append(_share(f"{len(runs) - len(shown)} smaller runs", others))
    return rows


def _share(name: str, frames: Sequence[FrameResult]) -> dict[str, Any]:
    parts = []
    for verdict in Verdict:
        mine = loss([frame for frame in frames if frame.verdict == verdict])
        parts.append(
            {
                "verdict": str(verdict),
                "count": mine.count,
                "hours": duration(mine.seconds) if mine.seconds else "",
                "percent": f"{100 * mine.count / len(frames):.0f} %",
                "width": f"{100 * mine.count / len(frames):.2f}",
            }
        )
    whole = loss(frames)
    return {
        "name": name,
        "count": whole.count,
        "hours": duration(whole.seconds) if whole.seconds else "",
        "parts": parts,
    }


def _row(frame: FrameResult, anchor: str) -> dict[str, Any]:
    cells = []
    for key, _, _, form in NUMBERS:
        value = frame.numbers.get(key)
        known = value is not None and value == value
        cells.append((f"{value:.6g}" if known else "", form.format(value) if known else "–"))
    return {
        "anchor": anchor,
        "path": frame.path,
        "verdict": str(frame.verdict),
        "order": list(Verdict).index(Verdict(frame.verdict)),
        "faults": [(key, fault(key).title) for key in frame.faults],
        "cells": cells,
        "why": frame.why,
    }
