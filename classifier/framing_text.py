"""A framing told to people and to programs: which way to turn, how far to move, what is lost."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from classifier.framing import (
    UNCOVERED_FROM,
    Framing,
    StarField,
    Unmatched,
    area_costs,
    corners,
    polygon_area,
    shared_area,
    turning_deg_per_h,
)
from classifier.results import plain
from classifier.vocabulary import fault
from classifier.wording import counted, joined

SCHEMA = "nightcull/framing-1"
LISTED = 30
FITS = "fits"
COSTLY = 0.01  # a sub that takes this share of the common area is named
HOW_TO_TURN = (
    "Seen from behind the camera, looking into the telescope, with the pictures shown first row at "
    "the top. If your software turns pictures over, the directions change places: turn a little, "
    "take a short sub, and go the other way if the number grew. Hold the camera with one hand "
    "before you loosen anything, and take new flats after a turn."
)


def turn_advice(framing: Framing) -> str:
    """The turn to make at the camera; empty where it is too small to matter.

    The sub lies turned from +x towards +y, which is clockwise in a picture whose first row is at
    the top. A picture shows what is seen from behind the camera, at most upside down, so the
    camera itself stands clockwise too and goes back anticlockwise.
    """
    if abs(framing.turn_deg) < fault("rotation_mismatch").clean_below:
        return ""
    way = "anticlockwise" if framing.turn_deg > 0 else "clockwise"
    return f"turn the camera {abs(framing.turn_deg):.2f} degrees {way}"


def move_advice(framing: Framing, size_px: tuple[int, int], scale_arcsec: float | None) -> str:
    """Where the sub's centre lies in the reference; empty where little is lost by it."""
    if 1 - framing.covered < UNCOVERED_FROM / 2:
        return ""
    dx, dy = framing.shift_px
    parts = []
    for distance, side, words in (
        (dx, size_px[1], ("right of", "left of")),
        (dy, size_px[0], ("below", "above")),
    ):
        if abs(distance) < 0.005 * side:
            continue
        told = f"{abs(distance):.0f} px"
        if scale_arcsec:
            told += f" ({abs(distance) * scale_arcsec / 60:.1f} arcmin)"
        parts.append(f"{told} {words[0] if distance > 0 else words[1]}")
    return f"its centre lies {joined(parts)} the reference's" if parts else ""


def oddities(framing: Framing, size_px: tuple[int, int]) -> list[str]:
    """What a person should know and need not mend."""
    told = []
    share = polygon_area(framing.outline) / polygon_area(corners(size_px))
    if share < 1 - UNCOVERED_FROM:
        told.append(f"its field is {100 * share:.0f} % as large as the reference's")
    if framing.half_turn:
        told.append("upside down, as after a meridian flip")
    if framing.mirrored:
        told.append("mirrored: one of the files is stored turned over")
    if abs(framing.scale - 1) > 0.005:
        told.append(f"one of its pixels is {framing.scale:.3f} of the reference's")
    return told


def says(framing: Framing, size_px: tuple[int, int], scale_arcsec: float | None) -> str:
    parts = [
        turn_advice(framing),
        move_advice(framing, size_px, scale_arcsec),
        *oddities(framing, size_px),
    ]
    return "; ".join(part for part in parts if part) or FITS


def show_framing(
    console: Console,
    reference: StarField,
    results: Sequence[Framing | Unmatched],
    scale_arcsec: float | None,
    hours: Mapping[str, float],
) -> None:
    """The subs that need something first, then what the set has in common."""
    framings = [one for one in results if isinstance(one, Framing)]
    framings.sort(key=lambda one: (-one.is_mismatch, one.covered, -abs(one.turn_deg)))
    off = sum(framing.is_mismatch for framing in framings)
    told = f"{counted(len(results), 'sub')} against {reference.name}: {off} framed differently"
    console.print(Text(told, style="bold"))
    if framings:
        console.print(Text("   turn °  not covered  stars met  sub", style="dim"))
    for framing in framings[:LISTED]:
        turn = round(framing.turn_deg, 2) + 0.0  # no "-0.00"
        line = f"{turn:+9.2f} {100 * (1 - framing.covered):10.1f} % {framing.matched:10d}  "
        style = "yellow" if framing.is_mismatch else ""
        console.print(Text.assemble((line, style), framing.name), soft_wrap=True)
        advice = says(framing, reference.size_px, scale_arcsec)
        if advice != FITS:
            console.print(Padding(Text(advice, style="dim"), (0, 0, 0, 9)))
    if len(framings) > LISTED:
        console.print(f"... and {len(framings) - LISTED} more that fit better.")
    for one in results:
        if isinstance(one, Unmatched):
            console.print(Text(f"{one.name}: {one.why}", style="magenta"))
    if framings:
        console.print(Text(f"\n{common_words(framings, reference.size_px)}"))
    rate = turning_deg_per_h(framings, hours)
    if rate is not None:
        console.print(Text(turning_words(rate)))
    if any(turn_advice(framing) for framing in framings):
        console.print(Text(HOW_TO_TURN, style="dim"))


def turning_words(rate_deg_per_h: float) -> str:
    return (
        f"The field turns steadily, by {abs(rate_deg_per_h):.2f} degrees an hour: the polar axis "
        "is off, or the mount does not follow the turning of the sky (`nightcull explain "
        "rotation_mismatch`)."
    )


def common_words(framings: Sequence[Framing], size_px: tuple[int, int]) -> str:
    """What a stack of all of them can use, and which subs cost it most."""
    told = f"All of them share {100 * shared_area(framings, size_px):.1f} % of the reference"
    costs = zip(area_costs(framings, size_px), framings, strict=True)
    worst = [pair for pair in sorted(costs, key=lambda pair: -pair[0]) if pair[0] >= COSTLY][:3]
    if worst:
        named = (f"{framing.name} ({100 * cost:.1f} %)" for cost, framing in worst)
        told += f"; without one of these it would be more: {joined(named)}"
    return told + "."


def framing_json(
    reference: StarField,
    results: Sequence[Framing | Unmatched],
    scale_arcsec: float | None,
    hours: Mapping[str, float],
) -> dict[str, Any]:
    """Everything, for other programs; pixels are those of the reference."""
    framings = [one for one in results if isinstance(one, Framing)]
    costs = iter(area_costs(framings, reference.size_px))
    subs: list[dict[str, Any]] = []
    for one in results:
        if isinstance(one, Unmatched):
            subs.append({"name": one.name, "state": "unknown", "why": one.why})
            continue
        subs.append(
            {
                "name": one.name,
                "state": "yes" if one.is_mismatch else "no",
                "why": says(one, reference.size_px, scale_arcsec),
                "turn_deg": one.turn_deg,
                "turn_error_deg": one.error_deg,
                "half_turn": one.half_turn,
                "mirrored": one.mirrored,
                "scale": one.scale,
                "shift_px": list(one.shift_px),
                "outline_px": one.outline,
                "uncovered": 1 - one.covered,
                "costs_shared_area": next(costs),
                "stars_matched": one.matched,
                "rms_px": one.rms_px,
            }
        )
    return {
        "schema": SCHEMA,
        "reference": reference.name,
        "reference_size_px": [reference.size_px[1], reference.size_px[0]],
        "scale_arcsec": scale_arcsec,
        "shared_area": shared_area(framings, reference.size_px),
        "turning_deg_per_h": plain(turning_deg_per_h(framings, hours)),
        "subs": plain(subs),
    }
