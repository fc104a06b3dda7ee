"""The subs as the report shows them: picture, marks, labels, confidence and evidence.

    blocks = sub_blocks(results.frames, anchors)
    blocks.whole, blocks.small, blocks.bare

A page of hundreds of subs must stay a page that opens at once. So the worst subs get their picture
whole, the others a small one, each kind within a number of bytes; what that left out is counted.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from classifier.evidence import evidence_of
from classifier.night import severity
from classifier.opinion import is_reached
from classifier.results import FrameResult, Picture
from classifier.star_marks import star_marks
from classifier.thumbnail import shrunk
from classifier.urgency import urgency_of
from classifier.vocabulary import Verdict, fault
from classifier.web_page import data_url
from classifier.wording import measured, percent

WHOLE_BYTES, WHOLE_MOST = 6_000_000, 60  # pictures shown whole, before they become text of a page
SMALL_BYTES = 7_500_000
MARKS_MOST = 60  # over one picture; more would hide it
LISTED_FROM = 0.3  # labels are listed from this confidence on, given or not
LINE_FAULTS = ("trail", "diffraction_spikes", "guiding_loss", "drift", "vibration")

NUMBERS = (  # number, its name, its unit, how it is written
    ("star_count", "stars", "", "{:,.0f}"),
    ("hfr_px", "HFR", "px", "{:.2f}"),
    ("fwhm_px", "FWHM", "px", "{:.2f}"),
    ("elongation", "elongation", "", "{:.2f}"),
    ("sky_adu", "sky", "ADU", "{:,.0f}"),
    ("noise_adu", "noise", "ADU", "{:,.1f}"),
)


@dataclass(frozen=True)
class Blocks:
    """Blocks for the template. `whole`: worst first; `small`: in order of time; `bare`: how many
    of these had to do without a picture."""

    whole: list[dict[str, Any]]
    small: list[dict[str, Any]]
    bare: int


@dataclass(frozen=True)
class LabelRow:
    """One label of a sub. `stance`: how the measure stands to the model. `urgency`: whether to
    stop for it, see `urgency`; `said`: what made it, and what the masters do to it."""

    key: str
    title: str
    given: bool
    confidence: float
    sure: str
    measured: str
    stance: str
    urgency: str
    said: tuple[str, ...]


def sub_blocks(
    frames: Sequence[FrameResult],
    anchors: Mapping[str, str],
    readings: Sequence[Mapping[str, Any]] = (),
) -> Blocks:
    """All readable frames. anchors: path of a sub -> its place in the page; readings: of the night,
    which tell what is pressing."""
    order = sorted((frame for frame in frames if not frame.error), key=severity, reverse=True)
    whole: list[dict[str, Any]] = []
    others: list[tuple[FrameResult, Picture | None]] = []
    left, small_left = WHOLE_BYTES, SMALL_BYTES
    for frame in order:
        picture = frame.picture
        size = _bytes(picture)
        if frame.verdict != Verdict.KEEP and 0 < size <= left and len(whole) < WHOLE_MOST:
            left -= size
            whole.append(_block(frame, anchors[frame.path], picture, readings))
            continue
        little = shrunk(picture) if picture and small_left > 0 else None
        small_left -= _bytes(little)
        others.append((frame, little if small_left >= 0 else None))
    others.sort(key=lambda pair: (pair[0].numbers.get("time_mjd") or 0.0, pair[0].path))
    small = [_block(frame, anchors[frame.path], picture, readings) for frame, picture in others]
    bare = sum(frame.picture is not None and picture is None for frame, picture in others)
    return Blocks(whole, small, bare)


def _bytes(picture: Picture | None) -> int:
    return len(picture.thumbnail) + len(picture.strip) if picture else 0


def _block(
    frame: FrameResult,
    anchor: str,
    picture: Picture | None,
    readings: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    return {
        "anchor": anchor,
        "path": frame.path,
        "verdict": str(frame.verdict),
        "why": frame.why,
        "notes": frame.notes,
        "labels": label_rows(frame, readings),
        "facts": _facts(frame),
        "picture": picture_row(frame, picture) if picture else None,
    }


def picture_row(frame: FrameResult, picture: Picture) -> dict[str, Any]:
    """What `picture.html.j2` shows: the picture, its strip of stars and the marks over it."""
    size = max(picture.width_px, picture.height_px)
    return {
        "thumbnail": data_url(picture.thumbnail),
        "strip": data_url(picture.strip),
        "stars": star_marks(picture, frame.faults),
        "width": picture.width_px,
        "height": picture.height_px,
        "marks": marks(frame, size / 80)[:MARKS_MOST] if size else [],
        "star_radius": size / 60,
    }


def label_rows(frame: FrameResult, readings: Sequence[Mapping[str, Any]] = ()) -> list[LabelRow]:
    """The labels worth a line: given, likely, or measured; the likeliest first."""
    rows = []
    for key, confidence in sorted(frame.confidence.items(), key=lambda item: -item[1]):
        found = frame.evidence.get(key, {})
        given = key in frame.faults
        state = found.get("state", "unknown")
        if not (given or confidence >= LISTED_FROM or state == "yes"):
            continue
        told = evidence_of(found) if found else None
        is_open = state == "unknown" and is_reached(key, told)
        what = measured(told) if told else "not measured"
        if is_open and told and told.note:
            what += f"; {told.note}"
        stance = {"yes": "agrees" if given else "yes, it alone", "no": "says no"}
        rows.append(
            LabelRow(
                key,
                fault(key).title,
                given,
                confidence,
                percent(confidence),
                what,
                stance.get(state, "sees it, the cause is open" if is_open else "cannot tell"),
                urgency_of(key, frame.path, readings) if given or state == "yes" else "",
                tuple(found[name] for name in ("advice", "calibration") if found.get(name)),
            )
        )
    return rows


def _facts(frame: FrameResult) -> str:
    """The frame's own numbers in one line."""
    told = []
    for key, title, unit, form in NUMBERS:
        value = frame.numbers.get(key)
        if value is not None and value == value:
            told.append(f"{title} {form.format(value)} {unit}".rstrip())
    return ", ".join(told)


def marks(frame: FrameResult, gap_px: float) -> list[dict[str, Any]]:
    """Shapes to lay over the picture, in frame pixels; lines run on both sides of what they mark,
    `gap_px` away, so that they do not hide it. What no measure vouches for is marked `weak`."""
    found = []
    weak = {key: entry.get("perhaps", ()) for key, entry in frame.evidence.items()}
    for key, shapes, is_weak in (
        *((key, shapes, False) for key, shapes in frame.where.items()),
        *((key, shapes, True) for key, shapes in weak.items()),
    ):
        for shape in shapes:
            kinds = {2: "star", 3: "disc", 4: "line" if key in LINE_FAULTS else "box"}
            if len(shape) not in kinds:
                continue
            title = f"perhaps {fault(key).title}, not measured" if is_weak else fault(key).title
            mark = {"kind": kinds[len(shape)], "at": shape, "title": title, "weak": is_weak}
            if mark["kind"] == "line":
                mark["sides"] = [_beside(shape, gap_px), _beside(shape, -gap_px)]
            found.append(mark)
    return found


def _beside(line: Sequence[float], gap_px: float) -> list[float]:
    """The line moved sideways."""
    x0, y0, x1, y1 = line
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    across, down = gap_px * (y1 - y0) / length, gap_px * (x0 - x1) / length
    return [round(v, 1) for v in (x0 + across, y0 + down, x1 + across, y1 + down)]
