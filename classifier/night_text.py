"""The reading of a night as text for the terminal: summary first, then causes and what to do.

for line in night_text(readings):
    print(line)
"""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from classifier.night_reading import sureness
from classifier.remedies import FOOTER

WIDTH = 88


def night_text(readings: Sequence[Mapping[str, Any]], width: int = WIDTH) -> Iterator[str]:
    """Lines of text, without line ends."""
    cautioned: set[str] = set()
    for number, reading in enumerate(readings):
        if number:
            yield ""
        yield from _wrapped(_title(reading), width)
        for sentence in reading["summary"]:
            yield from _wrapped(sentence, width, "  ")
        for cause in reading["causes"]:
            yield ""
            yield from _cause(cause, cautioned, width)
        for title, key in (
            ("What changed", "changes"),
            ("What it cost", "costs"),
            ("Where light and marks come from", "hints"),
            ("Your masters", "calibration"),
            ("Not told", "untold"),
        ):
            if reading.get(key):
                yield ""
                yield title
                for sentence in reading[key]:
                    yield from _wrapped(sentence, width, "  ")
    if any(reading["causes"] for reading in readings):
        yield ""
        yield from _wrapped(FOOTER, width)


def _title(reading: Mapping[str, Any]) -> str:
    count = len(reading["subs"])
    told = f"{reading['run']}: {count} sub{'' if count == 1 else 's'}"
    return f"{told}, {reading['when']}" if reading["when"] else told


def _cause(cause: Mapping[str, Any], cautioned: set[str], width: int) -> Iterator[str]:
    title = cause["title"]
    yield from _wrapped(
        f"{title[:1].upper()}{title[1:]}: {sureness(cause['likelihood'])} [{cause['urgency']}]",
        width,
    )
    parts = [
        ("For it", "; ".join(cause["evidence"])),
        ("Against it", "; ".join(cause["against"])),
        ("Unknown", "; ".join(cause["missing"])),
        ("Tonight", cause["tonight"]),
        ("Next night", cause["next_night"]),
        ("Processing", cause["processing"]),
    ]
    for text in cause["cautions"]:
        # In full where it is first needed; whoever reads on has met it.
        parts.append(("CAUTION", text if text not in cautioned else "as above."))
        cautioned.add(text)
    for label, text in parts:
        if text:
            yield from textwrap.wrap(
                text,
                width,
                initial_indent=f"  {label:<12}",
                subsequent_indent=" " * 14,
                break_on_hyphens=False,
            )


def _wrapped(text: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )
