"""What can be said of a fault beyond its label: whose light it is, what made it, what removes it.

    advice = run_advice(subs)["light_007.fits"]["reflection"]     # of one sub, a sentence or two
    hints = run_hints(line)                                       # of the whole run

Told only where a fault was labelled or measured; every text says what it rests on.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from classifier.evidence import YES
from classifier.night_line import NightLine, NightSub
from classifier.sensor_marks import (
    LEAST_MOVE_PX,
    DustMark,
    HotMarks,
    dust_marks,
    hot_marks,
    sky_moved_px,
)
from classifier.spike_bar import StrayBar, bar_text, stray_bar, what_text
from classifier.stray_light import ghost_text, glare_text
from classifier.wording import counted

SAME_FROM, FEW_BELOW = 0.8, 0.3  # shares of hot pixels that other subs have too
# Runs with fewer hot pixels than this need no word about them.
LEAST_HOT_PCT = 0.02
SAME_BAR_DEG = 3.0  # directions of single subs scatter by a step of the search
LEAST_JUDGED, BAR_FROM = 4, 0.35  # subs whose brightest star was judged; share that agree
STANDING_FROM = 0.3  # share of the subs in which a shadow stands at one place


def has(sub: NightSub, key: str) -> bool:
    """Whether a fault was labelled or measured in a sub."""
    return key in sub.faults or sub.measures.evidence[key].state == YES


def run_advice(subs: Sequence[NightSub]) -> dict[str, dict[str, str]]:
    """Advice on the subs of one run: by name of the sub, then by fault."""
    hot = hot_marks([sub.measures.hot for sub in subs])
    dust = dust_marks([sub.measures.evidence["dust_motes"].where for sub in subs])
    advice: dict[str, dict[str, str]] = {}
    for number, sub in enumerate(subs):
        share = hot.shares[number] if hot is not None else np.nan
        told = {key: text(sub) for key, text in OF_SUB.items() if has(sub, key)}
        if has(sub, "hot_pixels"):
            told["hot_pixels"] = _hot(share)
        if has(sub, "dust_motes"):
            told["dust_motes"] = _dust(sub, dust)
        advice[sub.name] = {key: text for key, text in told.items() if text}
    return advice


def ghost_of(sub: NightSub) -> str | None:
    measures = sub.measures
    where = measures.evidence["reflection"].where
    return ghost_text(sub.facts, sub.size_px, where, measures.glaring)


def glare_of(sub: NightSub) -> str | None:
    side = sub.measures.numbers.get("gradient_deg", np.nan)
    return glare_text(sub.facts, sub.size_px, side) if np.isfinite(side) else None


def bar_of(sub: NightSub) -> str | None:
    bar = _bar(sub)
    return None if bar is None else what_text(bar)


def _whole_bar(sub: NightSub) -> str | None:
    bar = _bar(sub)
    return None if bar is None else bar_text(bar, sub.facts.camera_deg, sub.facts.mirrored)


def _bar(sub: NightSub) -> StrayBar | None:
    bar = stray_bar(*sub.measures.spikes.astype(float).T)
    odd_deg = sub.measures.form.get("odd_deg")
    if bar is None and odd_deg is not None:
        bar = stray_bar([odd_deg], [1.0])  # of the brightest star alone
    return bar


def bar_of_run(line: NightLine) -> str | None:
    """The bar whose spikes the brightest stars of many subs show in one direction."""
    judged = np.isfinite(line.of["odd_sigma"]).sum()
    seen = line.of["odd_deg"]
    (places,) = np.nonzero(np.isfinite(seen))
    if judged < LEAST_JUDGED or not len(places):
        return None
    apart = np.abs((seen[places][:, None] - seen[places][None] + 90.0) % 180.0 - 90.0)
    near = apart <= SAME_BAR_DEG
    best = int(near.sum(1).argmax())
    if near[best].sum() < BAR_FROM * judged:
        return None
    facts = line.subs[places[best]].facts
    bar = stray_bar([float(seen[places[best]])], [1.0])
    assert bar is not None  # a lone pair is always a bar's
    told = bar_text(bar, facts.camera_deg, facts.mirrored)
    return f"{told} (The brightest star of {near[best].sum()} of {judged} subs shows it.)"


OF_SUB = {"reflection": ghost_of, "gradient": glare_of, "diffraction_spikes": bar_of}


def _hot(share: float) -> str | None:
    if not np.isfinite(share):
        return None
    told = f"{100 * share:.0f} %"
    if share >= SAME_FROM:
        return f"{told} of its hot pixels are hot in other subs too: darks remove them."
    if share < FEW_BELOW:
        return (
            f"Only {told} of its hot pixels are hot in other subs too: the rest are hits of cosmic "
            "rays or narrow stars, which darks do not hold and rejection removes."
        )
    return f"{told} of its hot pixels are hot in other subs too, and in darks; the rest are not."


def _dust(sub: NightSub, marks: Sequence[DustMark]) -> str | None:
    for mark in marks:
        for x, y, *_ in sub.measures.evidence["dust_motes"].where:
            if np.hypot(x - mark.x_px, y - mark.y_px) <= mark.radius_px:
                return (
                    f"The shadow at ({mark.x_px:.0f}, {mark.y_px:.0f}) stands there in {mark.subs} "
                    f"of {mark.of} subs."
                )
    return None


def run_hints(line: NightLine) -> list[str]:
    """What the run as a whole says about its marks: sources, bars, hot pixels, dust."""
    told = [*_common(line, "reflection", ghost_of), *_common(line, "gradient", glare_of)]
    bars = _common(line, "diffraction_spikes", _whole_bar)
    told += bars or [text for text in (bar_of_run(line),) if text]
    moved = sky_moved_px([sub.measures.stars for sub in line.subs])
    hot = hot_marks([sub.measures.hot for sub in line.subs])
    return [*told, *_hot_run(line, hot, moved), *_dust_run(line, moved)]


def _common(line: NightLine, key: str, text) -> list[str]:
    """The commonest text of the subs with a fault, if a fifth of the run has it."""
    found = [text(sub) for sub in line.subs if has(sub, key)]
    if len(found) < max(2, 0.2 * len(line)):
        return []
    # Numbers differ a little from sub to sub; the words before the first number tell the kind.
    kinds = Counter(_kind(each) for each in found if each)
    if not kinds:
        return []
    kind, count = kinds.most_common(1)[0]
    mine = [each for each in found if each and _kind(each) == kind]
    return [f"{mine[len(mine) // 2]} (So in {count} of {counted(len(line), 'sub')}.)"]


def _kind(text: str) -> str:
    return "".join(letter for letter in text if not letter.isdigit())[:60]


def _hot_run(line: NightLine, hot: HotMarks | None, moved_px: float | None) -> list[str]:
    share = hot.share if hot is not None else np.nan
    pct = float(np.nanmedian(line.of["hot_pixels_pct"]))
    if not np.isfinite(share) or not (pct >= LEAST_HOT_PCT or line.share("hot_pixels") >= 0.2):
        return []
    told, stars = f"{100 * share:.0f} %", _moved(moved_px)
    if share >= SAME_FROM:
        return [
            f"{told} of the hot pixels are the same in the other subs{stars}: they are the "
            "sensor's own, so take darks of the same exposure, gain and temperature."
        ]
    if share < FEW_BELOW:
        return [
            f"Only {told} of the hot pixels are hot in other subs too{stars}: most are cosmic "
            "rays or narrow stars; darks would not remove them, rejection in the stack does."
        ]
    return [
        f"{told} of the hot pixels are the same in other subs{stars}: darks remove these, "
        "rejection in the stack the others."
    ]


def _moved(moved_px: float | None) -> str:
    if moved_px is None:
        return ""
    if moved_px < LEAST_MOVE_PX:
        return (
            ", though the stars stood still too (no dither or flip), which would make narrow stars "
            "look alike"
        )
    return f" while the stars moved by {moved_px:.0f} px over the sensor"


def _dust_run(line: NightLine, moved_px: float | None) -> list[str]:
    discs = [sub.measures.evidence["dust_motes"].where for sub in line.subs]
    marks = [m for m in dust_marks(discs) if m.subs >= max(2, STANDING_FROM * len(line))]
    if not marks:
        return []
    first = marks[0]
    place = f"at ({first.x_px:.0f}, {first.y_px:.0f}), {2 * first.radius_px:.0f} px wide"
    more = f", and {counted(len(marks) - 1, 'other shadow')} as steady" if len(marks) > 1 else ""
    if moved_px is not None and moved_px < LEAST_MOVE_PX:
        return [
            f"A shadow {place}, stands still in {first.subs} of {first.of} subs{more}, but so do "
            "the stars: dither, and dust tells itself from a dark cloud of the field."
        ]
    return [
        f"A shadow {place}, stands still in {first.subs} of {first.of} subs{more}"
        f"{_moved(moved_px)}: dust{_distance(line, first)}, so take flats before anything is moved."
    ]


def _distance(line: NightLine, mark: DustMark) -> str:
    """How far before the sensor a mote sits: the width of its shadow times the focal ratio."""
    facts = line.subs[0].facts
    if facts.pixel_um is None or facts.focal_ratio is None:
        return " on a window or filter"
    far_mm = 2 * mark.radius_px * facts.pixel_um * 1e-3 * facts.focal_ratio
    return f" some {far_mm:.1f} mm before the sensor"
