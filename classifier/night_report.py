"""The reading of a night as the report shows it: summary, causes, time lines drawn.

rows = night_rows(results.readings, anchors, verdicts)      # for `night_report.html.j2`
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from classifier.night_causes import LEAST_SUBS
from classifier.night_reading import PERHAPS_FROM, sureness
from classifier.small_plot import HIGH, WIDE, Axis, axis_of, broken_lines, tick_rows
from classifier.wording import capital

EDGE = 8  # of WIDE, left free at both ends for the dots
LONG_H = 20.0  # a run longer than a night is drawn by its subs, not by the clock
SHOWN = (  # name in the reading, title, unit, form, least span drawn
    ("hfr_px", "HFR", "px", "{:.2f}", 0.2),
    ("fwhm_px", "FWHM", "px", "{:.2f}", 0.4),
    ("elongation", "Elongation", "", "{:.2f}", 0.1),
    ("star_count", "Stars", "", "{:.0f}", 10.0),
    ("lost_mag", "Zero-point: light lost", "mag", "{:.2f}", 0.1),
    ("sky", "Sky", "", "{:.3g}", 0.0),
    ("gradient_pct", "Slope of the sky", "%", "{:.1f}", 5.0),
    ("ambient_c", "Air temperature", "°C", "{:.1f}", 1.0),
    ("temperature_c", "Sensor temperature", "°C", "{:.1f}", 1.0),
    ("altitude_deg", "Altitude of the target", "°", "{:.0f}", 5.0),
)


def night_rows(
    readings: Sequence[Mapping[str, Any]],
    anchors: Mapping[str, str],
    verdicts: Mapping[str, str],
) -> list[dict[str, Any]]:
    """What the template shows of every run. anchors: path of a sub -> its place in the page."""
    return [_run(reading, anchors, verdicts) for reading in readings]


def _run(
    reading: Mapping[str, Any], anchors: Mapping[str, str], verdicts: Mapping[str, str]
) -> dict[str, Any]:
    places, ticks = _across(reading)
    drawn = (_line(reading, *row, places) for row in SHOWN)
    lines = [line for line in drawn if line is not None]
    steady = [line for line in lines if line["low"] == line["high"]]
    lines = [line for line in lines if line["low"] != line["high"]]
    causes = [
        {**cause, "title": capital(cause["title"]), "sure": sureness(cause["likelihood"])}
        for cause in reading["causes"]
    ]
    subs = [
        {"to": anchors.get(name, ""), "verdict": verdicts.get(name, "look")}
        for name in reading["subs"]
    ]
    return {
        **{key: reading[key] for key in ("run", "when", "summary", "changes", "costs", "untold")},
        "hints": [*reading.get("hints", []), *reading.get("calibration", [])],
        "count": len(subs),
        "is_short": len(subs) < LEAST_SUBS,
        "causes": [one for one in causes if one["likelihood"] >= PERHAPS_FROM],
        "unlikely": [one for one in causes if one["likelihood"] < PERHAPS_FROM],
        "lines": lines,
        "steady": [f"{one['title']} {one['low']} {one['unit']}".rstrip() for one in steady],
        "subs": subs,
        "ticks": ticks,
        "by_order": not _by_clock(reading),
        "data": _data(reading, subs, places, lines),
    }


def _by_clock(reading: Mapping[str, Any]) -> bool:
    hours = reading["hours"]
    return bool(hours) and 0 < hours[-1] - hours[0] <= LONG_H


def _across(reading: Mapping[str, Any]) -> tuple[list[float], list[dict[str, str]]]:
    """Where each sub lies from left to right, and the labels below; by the clock if times are
    known and of one night, else by order."""
    count = len(reading["subs"])
    values: list[float] = list(range(1, count + 1))
    marks: list[tuple[float, str]] = []
    if _by_clock(reading):
        values = list(reading["hours"])
        marks = _clock_marks(reading["when"], values[-1])
    low, high = (values[0], values[-1]) if count > 1 else (0.0, 1.0)
    span = (high - low) or 1.0
    if not marks:
        whole = (value for value, _ in axis_of(values, 6).ticks if value % 1 == 0)
        marks = [(value, f"{value:.0f}") for value in whole if low <= value <= high]

    def place(value: float) -> float:
        return EDGE + (WIDE - 2 * EDGE) * (value - low) / span

    ticks = [{"share": f"{100 * place(at) / WIDE:.2f}", "words": words} for at, words in marks]
    return [place(value) for value in values], ticks


def _clock_marks(when: str, span_h: float) -> list[tuple[float, str]]:
    """Full hours, halves or quarters of the run, as hours since its first sub."""
    try:
        begin = datetime.strptime(when[:16], "%Y-%m-%d %H:%M")
    except ValueError:
        return []
    step_min = next((m for m in (5, 10, 15, 30, 60, 120) if span_h * 60 / m <= 8), 240)
    midnight = begin.replace(hour=0, minute=0)
    first = -(-((begin - midnight).total_seconds() / 60) // step_min)
    marks = []
    for k in range(int(first), int(first) + 20):
        moment = midnight + timedelta(minutes=k * step_min)
        hours = (moment - begin).total_seconds() / 3600
        if hours <= span_h:
            marks.append((hours, f"{moment:%H:%M}"))
    return marks


def _line(
    reading: Mapping[str, Any],
    name: str,
    title: str,
    unit: str,
    form: str,
    least: float,
    places: Sequence[float],
) -> dict[str, Any] | None:
    """One time line: dots in order of the subs and the line through them, broken where a value is
    unknown. None with fewer than three values."""
    values = reading["time_lines"].get(name, [])
    if name == "sky":
        unit = reading.get("sky_unit", "")
    known = [value for value in values if value is not None]
    if len(known) < 3:
        return None
    axis = axis_of(known, least_span=least)
    points = [
        None if value is None else (x, HIGH * (1 - axis.share(value)))
        for x, value in zip(places, values, strict=True)
    ]
    return {
        "title": title,
        "unit": unit,
        "low": _number(min(known), form),
        "high": _number(max(known), form),
        "ticks": tick_rows(axis),
        "dots": [p and {"x": f"{p[0]:.1f}", "y": f"{p[1]:.1f}"} for p in points],
        "beyond": sum(_is_beyond(value, axis) for value in known),
        "parts": broken_lines(points),
        "told": [None if value is None else _number(value, form) for value in values],
    }


def _number(value: float, form: str) -> str:
    """Written without the minus of a rounded nought, and from 100 on in full, without decimals."""
    told = f"{value:,.0f}" if abs(value) >= 100 else form.format(value)
    return told.removeprefix("-") if not told.strip("-0.") else told


def _is_beyond(value: float, axis: Axis) -> bool:
    return not axis.low <= value <= axis.high


def _data(
    reading: Mapping[str, Any],
    subs: Sequence[Mapping[str, str]],
    places: Sequence[float],
    lines: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    """What the page's script reads out while it steps through the subs."""
    return {
        "names": list(reading["subs"]),
        "to": [sub["to"] for sub in subs],
        "verdicts": [sub["verdict"] for sub in subs],
        "x": [round(100 * x / WIDE, 2) for x in places],
        "lines": [{key: line[key] for key in ("title", "unit", "told")} for line in lines],
    }
