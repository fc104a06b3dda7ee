"""The bar behind odd spikes: which pair of spikes it makes, how it lies, where to lead a cable.

    bar = stray_bar(spikes_deg, sigma)
    bar.bar_deg, bar.vanes_deg
    bar_text(bar, camera_deg, mirrored)

A straight bar across the aperture throws its light at right angles to itself, on both sides of
every star: the bar lies at the angle of the pair plus 90 degrees. A second bar along a vane adds
nothing that was not there; one between two vanes adds a pair of its own. Angles are modulo 180
degrees, in the array's frame from +x towards +y, on the sky from north through east.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

FIT_DEG = 5.0  # how far spikes of a regular spider may lie off its pattern
MOST_UNEVEN = 2.0  # and how many times one may be as strong as another
COMPASS = (
    *("north to south", "north-east to south-west"),
    *("east to west", "south-east to north-west"),
)


@dataclass(frozen=True)
class StrayBar:
    """spike_deg, bar_deg: the odd pair and what makes it; vanes_deg: the bars of the regular
    pattern beside it, if one is seen. is_sure: that this pair and no other is the odd one.
    along_vane: its spikes fall on the pattern's own, one pair being too strong."""

    spike_deg: float
    bar_deg: float
    vanes_deg: tuple[float, ...]
    is_sure: bool
    along_vane: bool = False


def apart_deg(a_deg: float, b_deg: float) -> float:
    """Angle between two lines, 0 to 90."""
    gap = abs(a_deg - b_deg) % 180.0
    return min(gap, 180.0 - gap)


def stray_bar(spikes_deg: Sequence[float], sigma: Sequence[float]) -> StrayBar | None:
    """The bar of the pair that fits no regular spider; None where all pairs do, or none is seen.

    spikes_deg: direction of each pair, modulo 180; sigma: how strong each is.
    """
    pairs = sorted(zip(spikes_deg, sigma, strict=True))
    if not pairs:
        return None
    spider = _spider(pairs)
    if spider:
        others = [pair for pair in pairs if pair not in spider]
        strongest = max(spider, key=lambda pair: pair[1])
        vanes = tuple(_bar(pair) for pair in spider)
        if others:
            odd = max(others, key=lambda pair: pair[1])
            return StrayBar(odd[0], _bar(odd), vanes, len(others) == 1)
        if strongest[1] <= MOST_UNEVEN * min(pair[1] for pair in spider):
            return None
        return StrayBar(strongest[0], _bar(strongest), vanes, True, along_vane=True)
    # No pattern to tell it from: a lone pair is the bar's own; of several any may be.
    odd = max(pairs, key=lambda pair: pair[1])
    return StrayBar(odd[0], _bar(odd), (), len(pairs) == 1)


def _bar(pair: tuple[float, float]) -> float:
    return (pair[0] + 90.0) % 180.0


def _spider(pairs: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Two pairs at right angles or three at 60 degrees, the most alike in strength; () without."""
    fitting = [
        chosen
        for count, apart in ((3, 60.0), (2, 90.0))
        for chosen in combinations(pairs, count)
        if all(abs(apart_deg(a[0], b[0]) - apart) <= FIT_DEG for a, b in combinations(chosen, 2))
    ]
    return min(
        fitting,
        key=lambda chosen: max(p[1] for p in chosen) / min(p[1] for p in chosen),
        default=(),
    )


def sky_deg(angle_deg: float, camera_deg: float, mirrored: bool) -> float:
    """Position angle (modulo 180) of a line in the array. camera_deg: that of +y."""
    return (camera_deg + (1.0 if mirrored else -1.0) * (90.0 - angle_deg)) % 180.0


def bar_text(bar: StrayBar, camera_deg: float | None, mirrored: bool | None) -> str:
    """What to look for at the tube and how to lead the cable, in a few sentences."""
    return " ".join(
        (what_text(bar), _on_tube(bar, camera_deg, mirrored), _route(bar, camera_deg, mirrored))
    )


def what_text(bar: StrayBar) -> str:
    """Where spikes and bar lie, in one sentence."""
    lies = f"so the bar that makes it lies at {bar.bar_deg:.0f} degrees"
    if bar.along_vane:
        return (
            f"The spikes at {bar.spike_deg:.0f} degrees in the frame (from +x towards +y) are too "
            f"strong for their pattern, {lies}, along a vane or beside it."
        )
    which = "The odd spikes lie" if bar.is_sure else "The strongest of the odd spikes lie"
    return f"{which} at {bar.spike_deg:.0f} degrees in the frame (from +x towards +y), {lies}."


def _on_tube(bar: StrayBar, camera_deg: float | None, mirrored: bool | None) -> str:
    if camera_deg is None or mirrored is None:
        return (
            "The header does not say how the camera is turned, so its place on the tube is not "
            "told; a defocused bright star shows it as a dark line across its disc."
        )
    place = sky_deg(bar.bar_deg, camera_deg, mirrored)
    way = COMPASS[round(place / 45.0) % 4]
    # The saddle of an equatorial mount faces the declination axis, which lies east and west.
    return (
        f"On the sky it lies at position angle {place:.0f} degrees (about {way}): looking "
        f"along the tube towards the sky, {place:.0f} degrees anticlockwise from the side of the "
        f"pole, which on an equatorial mount is {apart_deg(place, 90.0):.0f} degrees from the line "
        "of the dovetail."
    )


def _route(bar: StrayBar, camera_deg: float | None, mirrored: bool | None) -> str:
    if bar.along_vane:
        return "Press the cable flat behind that vane, no wider than it, or bend it into an arc."
    if bar.vanes_deg:
        nearest = min(bar.vanes_deg, key=lambda vane: apart_deg(vane, bar.bar_deg))
        where = f"{nearest:.0f} degrees in the frame"
        if camera_deg is not None and mirrored is not None:
            where += f", position angle {sky_deg(nearest, camera_deg, mirrored):.0f}"
        return (
            f"Lead the cable along the nearest vane ({where}, "
            f"{apart_deg(nearest, bar.bar_deg):.0f} degrees away), hidden behind it: its light "
            "then falls on the vane's own spikes."
        )
    return (
        "Without vanes to hide it behind, lead the cable round the outside of the tube, or across "
        "the aperture in an even curve: half a circle spreads its light over all directions in "
        "place of a spike."
    )
