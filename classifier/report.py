"""The report of a night: one self-contained HTML page that asks nothing of any network.

`write_report(results, folder)` prepares plain rows here and leaves the page to
`report.html.j2`; everything that comes from a header or a file name is escaped by the template
engine, and the page forbids itself every outside request.
"""

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import jinja2

from classifier.evidence import Evidence
from classifier.night import Share, severity, summarise
from classifier.night_report import night_rows
from classifier.prior import prior_sentence
from classifier.remedies import FOOTER, cautions, remedy
from classifier.results import REPORT_NAME, FrameResult, Results, write_whole
from classifier.vocabulary import KEYS, Verdict, fault
from classifier.wording import capital, duration, measured, percent

CARDS = 24  # pictures shown; the page stays within a few megabytes
LISTED_FROM = 0.3  # a card lists labels from this confidence on, given or not
LINE_FAULTS = ("trail", "diffraction_spikes", "guiding_loss", "drift", "vibration")

EFFECTS = {
    "spoils": "costs the sub",
    "calibrates": "calibration mends it",
    "depends": "depends on the run",
}
COLUMNS = (  # number, its name, its unit, how it is written
    ("star_count", "stars", "", "{:.0f}"),
    ("hfr_px", "HFR", "px", "{:.2f}"),
    ("fwhm_px", "FWHM", "px", "{:.2f}"),
    ("elongation", "elongation", "", "{:.2f}"),
    ("sky_adu", "sky", "ADU", "{:,.0f}"),
    ("noise_adu", "noise", "ADU", "{:,.1f}"),
)


@dataclass(frozen=True)
class LabelRow:
    """One label of a card. `stance`: how the measure stands to the model."""

    key: str
    title: str
    given: bool
    confidence: float
    sure: str
    measured: str
    stance: str


def write_report(results: Results, folder: Path) -> Path:
    """Write `report.html` into the folder; returns where it is."""
    return write_whole(folder / REPORT_NAME, render_report(results))


def render_report(results: Results) -> str:
    """The page as text."""
    return _template().render(page(results))


@lru_cache(maxsize=1)
def _template() -> jinja2.Template:
    """The page's template; to compile it takes as long as to label a small frame."""
    loader = jinja2.FileSystemLoader(Path(__file__).parent)
    engine = jinja2.Environment(
        loader=loader,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return engine.get_template("report.html.j2")


def page(results: Results) -> dict[str, Any]:
    """Everything the template shows."""
    read = [frame for frame in results.frames if not frame.error]
    worst = sorted((f for f in read if f.verdict != Verdict.KEEP), key=severity, reverse=True)
    shown = [frame for frame in worst if frame.picture][:CARDS]
    anchors = {frame.path: f"sub-{i}" for i, frame in enumerate(results.frames, 1)}
    carded = {frame.path for frame in shown}
    summary = summarise(results)
    return {
        "summary": summary,
        "shares": [_tile(verdict, getattr(summary, verdict), len(read)) for verdict in Verdict],
        "night": _when(read),
        "made_with": results.made_with,
        "prior": prior_sentence(results.prior),
        "readings": night_rows(results.readings, anchors),
        "strip": _strip(read, anchors),
        "found": [_found(key, count, read) for key, count in summary.faults],
        "cards": [_card(frame, anchors[frame.path]) for frame in shown],
        "unshown": len(worst) - len(shown),
        "columns": [f"{title} ({unit})" if unit else title for _, title, unit, _ in COLUMNS],
        "rows": [_row(frame, anchors[frame.path], frame.path in carded) for frame in read],
        "unreadable": results.unreadable,
        "skipped": results.skipped,
        "remedies": [remedy(key) for key in KEYS],
        "cautions": cautions(),
        "advice": FOOTER,
    }


def _tile(verdict: Verdict, share: Share, total: int) -> dict[str, Any]:
    return {
        "verdict": str(verdict),
        "count": share.count,
        "percent": f"{100 * share.count / total:.0f} %" if total else "",
        "hours": duration(share.exposure_s) if share.exposure_s else "",
    }


def _when(frames: Sequence[FrameResult]) -> str:
    """First and last exposure, as the headers tell the time."""
    times = sorted(t for frame in frames if (t := frame.numbers.get("time_mjd")) is not None)
    if not times:
        return ""
    first, last = (_moment(times[0]), _moment(times[-1]))
    if first.date() == last.date():
        return f"{first:%Y-%m-%d, %H:%M} to {last:%H:%M} UTC"
    return f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC"


def _moment(mjd: float) -> datetime:
    return datetime(1858, 11, 17) + timedelta(days=mjd)


def _strip(frames: Sequence[FrameResult], anchors: Mapping[str, str]) -> list[dict[str, Any]]:
    """The night at a glance: one bar per sub in order of time, as high as its stars are wide."""
    ordered = sorted(frames, key=lambda f: (f.numbers.get("time_mjd") or 0.0, f.path))
    widths = [frame.numbers.get("hfr_px") for frame in ordered]
    known = sorted(width for width in widths if width is not None and width == width)
    # The widest twentieth is cut off, so that one donut does not flatten all the others.
    top = known[int(0.95 * (len(known) - 1))] * 1.15 if known else 1.0
    bars = []
    for frame, width in zip(ordered, widths, strict=True):
        height = 6.0  # a stump where the width is unknown
        if width is not None and width == width:
            height = 100 * min(1.0, max(0.06, width / top))
        bars.append(
            {
                "anchor": anchors[frame.path],
                "verdict": str(frame.verdict),
                "height": height,
                "title": f"{frame.path}: {frame.verdict}. {frame.why}",
            }
        )
    return bars


def _found(key: str, count: int, frames: Sequence[FrameResult]) -> dict[str, Any]:
    row = fault(key)
    states = [f.evidence.get(key, {}).get("state", "unknown") for f in frames if key in f.faults]
    return {
        "key": key,
        "title": capital(row.title),
        "what": row.what,
        "effect": EFFECTS[row.effect],
        "count": count,
        "share": 100 * count / len(frames),
        "agree": states.count("yes"),
        "against": states.count("no"),
        "open": states.count("unknown"),
    }


def _card(frame: FrameResult, anchor: str) -> dict[str, Any]:
    picture = frame.picture
    assert picture is not None  # only frames with a picture get a card
    return {
        "anchor": anchor,
        "path": frame.path,
        "verdict": str(frame.verdict),
        "why": frame.why,
        "notes": frame.notes,
        "labels": _label_rows(frame),
        "facts": _facts(frame),
        "thumbnail": data_url("image/jpeg", picture.thumbnail),
        "strip": data_url("image/png", picture.strip) if picture.strip else "",
        "width": picture.width_px,
        "height": picture.height_px,
        "marks": marks(frame, max(picture.width_px, picture.height_px) / 80),
        "star_radius": max(picture.width_px, picture.height_px) / 60,
    }


def data_url(kind: str, content: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def _label_rows(frame: FrameResult) -> list[LabelRow]:
    """The labels worth a line: given, likely, or measured; the likeliest first."""
    rows = []
    for key, confidence in sorted(frame.confidence.items(), key=lambda item: -item[1]):
        found = frame.evidence.get(key, {})
        given = key in frame.faults
        state = found.get("state", "unknown")
        if not (given or confidence >= LISTED_FROM or state == "yes"):
            continue
        stance = {"yes": "measure agrees" if given else "measure alone", "no": "measure says no"}
        rows.append(
            LabelRow(
                key,
                fault(key).title,
                given,
                confidence,
                percent(confidence),
                measured(evidence_of(found)) if found else "not measured",
                stance.get(state, "measure cannot tell"),
            )
        )
    return rows


def evidence_of(entry: Mapping[str, Any]) -> Evidence:
    """Evidence from its written form."""
    return Evidence(
        entry["state"], entry["value"], entry["unit"], entry["threshold"], entry.get("note", "")
    )


def _facts(frame: FrameResult) -> str:
    """The frame's own numbers in one line."""
    told = []
    for key, title, unit, form in COLUMNS:
        value = frame.numbers.get(key)
        if value is not None and value == value:
            told.append(f"{title} {form.format(value)} {unit}".rstrip())
    return " · ".join(told)


def marks(frame: FrameResult, gap_px: float) -> list[dict[str, Any]]:
    """Shapes to lay over the thumbnail, in frame pixels; lines run on both sides of what they
    mark, `gap_px` away, so that they do not hide it."""
    marks = []
    for key, shapes in frame.where.items():
        for shape in shapes:
            kinds = {2: "star", 3: "disc", 4: "line" if key in LINE_FAULTS else "box"}
            if len(shape) not in kinds:
                continue
            mark = {"kind": kinds[len(shape)], "at": shape, "title": fault(key).title}
            if mark["kind"] == "line":
                mark["sides"] = [_beside(shape, gap_px), _beside(shape, -gap_px)]
            marks.append(mark)
    return marks


def _beside(line: Sequence[float], gap_px: float) -> list[float]:
    """The line moved sideways."""
    x0, y0, x1, y1 = line
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    across, down = gap_px * (y1 - y0) / length, gap_px * (x0 - x1) / length
    return [round(v, 1) for v in (x0 + across, y0 + down, x1 + across, y1 + down)]


def _row(frame: FrameResult, anchor: str, has_card: bool) -> dict[str, Any]:
    cells = []
    for key, _, _, form in COLUMNS:
        value = frame.numbers.get(key)
        known = value is not None and value == value
        cells.append((value if known else "", form.format(value) if known else "–"))
    return {
        "anchor": anchor,
        "has_card": has_card,
        "path": frame.path,
        "verdict": str(frame.verdict),
        "order": list(Verdict).index(Verdict(frame.verdict)),
        "faults": [(key, fault(key).title) for key in frame.faults],
        "cells": cells,
        "why": frame.why,
    }
