"""The reading of a night as the report shows it: summary, causes, time lines drawn.

rows = night_rows(results.readings, anchors)      # for `night_report.html.j2`
"""

from collections.abc import Mapping, Sequence
from typing import Any

from classifier.night_reading import sureness
from classifier.wording import capital

WIDE, HIGH = 600, 60  # of a drawn time line, in its own units
SHOWN = (  # name in the reading, title, how its extremes are written
    ("hfr_px", "HFR, px", "{:.2f}"),
    ("elongation", "Elongation", "{:.2f}"),
    ("star_count", "Stars", "{:.0f}"),
    ("lost_mag", "Light lost, mag", "{:.2f}"),
    ("sky", "Sky", "{:.3g}"),
    ("gradient_pct", "Slope of the sky, %", "{:.1f}"),
    ("ambient_c", "Air, deg C", "{:.1f}"),
    ("altitude_deg", "Altitude, deg", "{:.0f}"),
)


def night_rows(
    readings: Sequence[Mapping[str, Any]], anchors: Mapping[str, str]
) -> list[dict[str, Any]]:
    """What the template shows of every run. anchors: path of a sub -> its place in the page."""
    return [
        {
            **{key: reading[key] for key in ("run", "when", "summary", "changes", "costs")},
            "untold": reading["untold"],
            "count": len(reading["subs"]),
            "causes": [
                {
                    **cause,
                    "title": capital(cause["title"]),
                    "sure": sureness(cause["likelihood"]),
                }
                for cause in reading["causes"]
            ],
            "lines": [
                drawn
                for name, title, form in SHOWN
                if (drawn := _drawn(reading, name, title, form, anchors))
            ],
        }
        for reading in readings
    ]


def _drawn(
    reading: Mapping[str, Any], name: str, title: str, form: str, anchors: Mapping[str, str]
) -> dict[str, Any] | None:
    """Dots and a line through them; gaps where a value is unknown. None with fewer than three."""
    values = reading["time_lines"].get(name)
    if values is None:
        return None
    hours = reading["hours"] or list(range(len(values)))
    known = [value for value in values if value is not None]
    if len(known) < 3:
        return None
    low, high = min(known), max(known)
    span, length = (high - low) or 1.0, (hours[-1] - hours[0]) or 1.0
    dots: list[dict[str, str]] = []
    parts: list[list[str]] = []
    part: list[str] = []
    for sub, hour, value in zip(reading["subs"], hours, values, strict=True):
        if value is None:
            parts.append(part)
            part = []
            continue
        x = 5 + (WIDE - 10) * (hour - hours[0]) / length
        y = HIGH - 5 - (HIGH - 10) * (value - low) / span
        part.append(f"{x:.1f},{y:.1f}")
        told = f"{sub}: {title} {form.format(value)}"
        dots.append({"x": f"{x:.1f}", "y": f"{y:.1f}", "to": anchors.get(sub, ""), "title": told})
    parts.append(part)
    return {
        "title": title,
        "low": form.format(low),
        "high": form.format(high),
        "dots": dots,
        "parts": [" ".join(each) for each in parts if len(each) > 1],
    }
