"""What calibration with the given masters would leave of the faults it can remove, in one sub.

    found = calibration_of(frame, measures, masters)
    found["hot_pixels"]["before"], found["hot_pixels"]["after"]

The sub is calibrated in memory and measured again by the same means as before. Plain numbers and
texts come back, for `calibration_text` to put into sentences; nothing is written.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from classifier import sky_evidence
from classifier.background import Background, SkyPicture, measure_background
from classifier.facts import Facts
from classifier.frame import Frame
from classifier.masters import Masters, calibrated, offset_of
from classifier.measures import FrameMeasures
from classifier.pixel_defects import RING, hot_mask, pixel_noise
from classifier.sky_model import fit_sky

Array = np.ndarray
Found = dict[str, dict]

DARK_SIGMA = 5.0  # above its neighbours a pixel of the dark counts as hot
LIKE_SHARE = 0.1  # and by at least so much of what it adds to the sub
TURNS = {"upside down": (-1, 1), "left to right": (1, -1), "by 180 degrees": (-1, -1)}
LEAST_PIXELS = 20
LEAST_DEPTH_PCT = 1.5
ALIKE_SIZE, MOST_MOVED = 0.35, 8.0  # in radii: how unlike in size, how far off
INSIDE, AROUND = (0.45, 0.85), (1.2, 1.7)  # of a shadow's radius: where its depth is measured


def calibration_of(frame: Frame, measures: FrameMeasures, masters: Masters) -> Found:
    """By fault key what was found; "dark" and "flat" hold what does not fit as sentences' parts.

    hot_pixels: before, after, holes (percent of the pixels; holes: too dark afterwards), shared
    (share of the sub's hot pixels that the dark has too), looked (their number), turned.
    dust_motes: before, after (depth of the deepest shadow, percent), flat (the flat's depth there),
    error (of `after`), x, y, moved_px (to a like shadow of the flat). foreign: depth, own, x, y of
    the flat's deepest shadow that the sub does not have. vignetting, gradient: before, after,
    master (the flat's fall, the dark's own slope), percent of the sky. unusable: why nothing could
    be tried.
    """
    found: Found = {"dark": {"differs": []}, "flat": {"differs": []}}
    for kind, master in (("dark", masters.dark), ("flat", masters.flat)):
        if master is not None:
            found[kind]["differs"] = list(_differences(frame, master, kind))
    pixels = calibrated(frame, masters)
    if pixels is None:
        found["unusable"] = {"why": _why_not(frame, masters)}
        return found
    facts = frame.facts
    offset = offset_of(facts, masters)
    before = measure_background(frame.pixels, facts.bayer, frame.overview)
    after = measure_background(pixels, facts.bayer)
    known = replace(facts, offset_adu=offset)
    clean = replace(facts, offset_adu=0.0 if offset is not None else None)
    if masters.dark is not None:
        found["hot_pixels"] = _hot(frame, measures.hot, masters.dark, before, after)
    for key in ("vignetting", "gradient"):
        found[key] = {
            "before": _of_sky(key, before, known),
            "after": _of_sky(key, after, clean),
            "master": _own(key, masters, before, known),
        }
    if masters.flat_picture is not None and offset is not None:
        discs = measures.evidence["dust_motes"].where
        found |= _shadows(discs, before.picture, after.picture, masters, offset)
    return found


def _why_not(frame: Frame, masters: Masters) -> str:
    high, wide = frame.pixels.shape
    for kind, master in (("dark", masters.dark), ("flat", masters.flat)):
        if master is not None and master.pixels.shape != frame.pixels.shape:
            size = f"{master.pixels.shape[1]} x {master.pixels.shape[0]}"
            return f"the {kind} is {size} pixels and the sub {wide} x {high}"
    return "the camera's offset is unknown; give a dark too, or --offset"


def _differences(frame: Frame, master: Frame, kind: str) -> Iterator[str]:
    """How a master was taken otherwise than the sub, by the headers: "12 C warmer" and the like."""
    own, other = frame.facts, master.facts
    if other.kind == "light":
        yield "marked as a light frame"
    if kind == "dark":
        if own.temperature_c is not None and other.temperature_c is not None:
            warmer = other.temperature_c - own.temperature_c
            if abs(warmer) > 1.5:
                yield f"{abs(warmer):.0f} degrees {'warmer' if warmer > 0 else 'colder'}"
        if own.exposure_s and other.exposure_s and not _alike(own.exposure_s, other.exposure_s):
            yield f"exposed for {other.exposure_s:g} s and not {own.exposure_s:g} s"
        if own.offset_adu and other.offset_adu and abs(own.offset_adu - other.offset_adu) > 1:
            yield f"of offset {other.offset_adu:g} and not {own.offset_adu:g} ADU"
    if kind == "flat" and own.filter and other.filter and own.filter != other.filter:
        yield f"taken through {other.filter} and not {own.filter}"
    for name, title in (("gain_setting", "gain"), ("gain_e_adu", "gain in electrons per ADU")):
        mine, theirs = getattr(own, name), getattr(other, name)
        if mine and theirs and not _alike(mine, theirs, 0.02):
            yield f"at {title} {theirs:g} and not {mine:g}"
            break
    for name, title in (("binning", "binning"), ("camera", "camera")):
        mine, theirs = getattr(own, name), getattr(other, name)
        if mine and theirs and mine != theirs:
            yield f"with {title} {theirs} and not {mine}"


def _alike(a: float, b: float, share: float = 0.05) -> bool:
    return abs(a - b) <= share * max(abs(a), abs(b))


def _hot(frame: Frame, places: Array, dark: Frame, before: Background, after: Background) -> dict:
    found: dict = {
        "before": 100 * before.hot_share,
        "after": 100 * after.hot_share,
        "holes": 100 * _holes(before, after),
        "looked": len(places),
        "shared": float("nan"),
        "turned": "",
    }
    if len(places) < LEAST_PIXELS:
        return found
    gap = 2 if before.mosaic else 1
    excess = _excess(frame.pixels, places, gap)
    found["shared"] = _shared(dark.pixels, places, excess, gap)
    if found["shared"] < 0.3:
        for name, (rows, columns) in TURNS.items():
            turned = np.ascontiguousarray(dark.pixels[::rows, ::columns])
            if _shared(turned, places, excess, gap) > 0.6:
                found["turned"] = name
    return found


def _holes(before: Background, after: Background) -> float:
    """Share of pixels that subtracting made as much too dark as hot ones are too bright."""
    return max(0.0, _dark_share(after) - _dark_share(before))


def _dark_share(background: Background) -> float:
    noise, mosaic = background.noise_adu, background.mosaic
    dark = sum(int(hot_mask(-window.raw, noise, mosaic).sum()) for window in background.windows)
    return dark / max(1, sum(window.raw.size for window in background.windows))


def _shared(dark: Array, places: Array, excess: Array, gap: int) -> float:
    raised = _excess(dark, places, gap)
    level = np.maximum(DARK_SIGMA * pixel_noise(dark), LIKE_SHARE * excess)
    return float((raised > level).mean())


def _excess(pixels: Array, places: Array, gap: int) -> Array:
    """How far pixels stand above the median of their eight neighbours of the same colour."""
    height, width = pixels.shape
    x, y = places[:, 0], places[:, 1]
    around = [
        pixels[np.clip(y + gap * dy, 0, height - 1), np.clip(x + gap * dx, 0, width - 1)]
        for dy, dx in RING
    ]
    return pixels[y, x] - np.median(around, axis=0)


def _of_sky(key: str, background: Background, facts: Facts) -> float:
    """Corners below the centre, or slope, in percent of the sky; NaN where unknown. Corners that
    an ill-fitting flat has made brighter are negative."""
    sky = sky_evidence.sky_light(background, facts)
    model = fit_sky(background.picture)
    if not sky.exact or sky.adu <= 0:
        return float("nan")
    step = model.gradient_adu if key == "gradient" else model.centre_adu - model.corner_adu
    at = sky.adu if key == "gradient" else sky.adu + model.centre_adu - background.level_adu
    return 100 * step / at if at > 0 else float("nan")


def _own(key: str, masters: Masters, before: Background, facts: Facts) -> float:
    """The flat's own fall-off in percent; the dark's own slope in percent of the sub's sky."""
    if key == "vignetting":
        return float("nan") if masters.flat_fall_pct is None else masters.flat_fall_pct
    sky = sky_evidence.sky_light(before, facts).adu
    if masters.dark_slope_adu is None or sky <= 0:
        return float("nan")
    return 100 * masters.dark_slope_adu / sky


def _shadows(
    discs: list, before: SkyPicture, after: SkyPicture, masters: Masters, offset: float
) -> Found:
    """Depth of the sub's deepest shadow before and after, and of the flat's there; and of the
    flat's deepest shadow that the sub does not have."""
    assert masters.flat_picture is not None
    found: Found = {}
    deepest: dict = {}
    for x, y, radius in (disc for disc in discs if len(disc) == 3):
        own, _ = depth_pct(before, offset, x, y, radius)
        if np.isfinite(own) and own > deepest.get("before", 0.0):
            left, error = depth_pct(after, 0.0, x, y, radius)
            there, _ = depth_pct(masters.flat_picture, 0.0, x, y, radius)
            deepest = {"before": own, "after": left, "flat": there, "error": error}
            deepest |= {"x": x, "y": y} | _moved(x, y, radius, masters)
    if deepest:
        found["dust_motes"] = deepest
    foreign: dict = {}
    for disc in masters.flat_discs:
        depth, _ = depth_pct(masters.flat_picture, 0.0, disc.x, disc.y, disc.radius)
        own, error = depth_pct(before, offset, disc.x, disc.y, disc.radius)
        is_absent = own + 3 * error < 0.5 * depth and depth >= LEAST_DEPTH_PCT
        if is_absent and depth > foreign.get("depth", 0.0):
            foreign = {"depth": depth, "own": own, "x": disc.x, "y": disc.y}
    if foreign:
        found["foreign"] = foreign
    return found


def _moved(x: float, y: float, radius: float, masters: Masters) -> dict[str, float]:
    """Shift from a shadow to the flat's nearest of like size, px; empty without one in reach."""
    alike = [d for d in masters.flat_discs if abs(d.radius - radius) < ALIKE_SIZE * radius]
    near = min(alike, key=lambda d: np.hypot(d.x - x, d.y - y), default=None)
    if near is None:
        return {}
    shift = float(np.hypot(near.x - x, near.y - y))
    return {"moved_px": shift} if shift <= MOST_MOVED * radius else {}


def depth_pct(
    picture: SkyPicture, offset: float, x: float, y: float, radius: float
) -> tuple[float, float]:
    """How much darker a disc is than the ring round it, percent of the ring, and its error; NaN
    where too few cells show it."""
    rows, columns = np.indices(picture.level.shape)
    at_x, at_y = picture.to_frame(columns, rows)  # type: ignore[arg-type]
    far = np.hypot(at_x - x, at_y - y) / radius
    inside = picture.level[(far > INSIDE[0]) & (far < INSIDE[1]) & picture.valid]
    around = picture.level[(far > AROUND[0]) & (far < AROUND[1]) & picture.valid]
    if len(inside) < 4 or len(around) < 8:
        return float("nan"), float("nan")
    ring = float(np.median(around)) - offset
    if ring <= 0:
        return float("nan"), float("nan")
    spread = 1.2533 * picture.noise_adu * (1 / len(inside) + 1 / len(around)) ** 0.5
    return 100 * (ring + offset - float(np.median(inside))) / ring, 100 * spread / ring
