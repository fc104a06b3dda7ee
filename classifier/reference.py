"""What is good in a run of frames: the widths, counts and sky that each of them is held against.

Good widths are those of the best tenth, but for subs whose few narrow stars are none, divided by
airmass^0.6 where the altitude is known; and never wider than poor seeing makes stars where the
scale is known.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from classifier import star_evidence
from classifier.facts import Facts
from classifier.measures import FrameMeasures

Member = tuple[Facts, FrameMeasures]

# Stars so many times as wide as the run's sharp ones hold their neighbours' light, and all of what
# is clipped in sharp ones: they seem brighter, and tell nothing of how clear it was.
MERGED = 1.5
# A sub whose stars are so many times as narrow as the run's middle ones shows as many stars as the
# middle sub at least, if they are stars: pieces of donuts, the sharper of two images and hot pixels
# are narrow as well, and few.
FAR_SHARPER = 1.25


@dataclass(frozen=True)
class Reference:
    """Good values of one run: NaN where no frame tells. e1, e2: median common shape.
    form_scatter: how far frames lie from the run's middle concentration, as one sigma."""

    frames: int
    fwhm_px: float
    hfr_px: float
    concentration: float
    form_scatter: float
    star_count: float
    sky_adu: float
    e1: float
    e2: float
    note: str = ""


def reference_of(run: Sequence[Member]) -> Reference:
    """Good values of a run: the best tenth of its round frames, or of all if none is round."""
    believed = list(compress(run, credible([measures.numbers for _, measures in run])))
    round_ones = [one for one in believed if one[1].numbers.get("elongation", math.nan) < 1.25]
    sharp = round_ones or believed
    fwhm = low_tenth([at_zenith(m.numbers.get("fwhm_px"), f) for f, m in sharp])
    hfr = low_tenth([at_zenith(m.numbers.get("hfr_px"), f) for f, m in sharp])
    note = ""
    scales = [f.scale_arcsec for f, _ in run if f.scale_arcsec]
    if scales and math.isfinite(fwhm):
        limit = star_evidence.good_width_arcsec(run[0][0], star_evidence.POOR_SEEING_ARCSEC)
        if limit is not None and fwhm * scales[0] > limit:
            note = "the whole run is softer than poor seeing makes it"
            shrink = limit / (fwhm * scales[0])
            fwhm, hfr = fwhm * shrink, hfr * shrink
    shapes = np.array([common_shape(m) for _, m in run])
    known = np.isfinite(shapes).all(1)
    e1, e2 = np.median(shapes[known], axis=0) if known.any() else (math.nan, math.nan)
    counts = [m.numbers.get("star_count", math.nan) for _, m in run]
    skies = [m.numbers.get("sky_adu", math.nan) for _, m in run]
    return Reference(
        frames=len(run),
        fwhm_px=fwhm,
        hfr_px=hfr,
        concentration=_sharp_form(believed),
        form_scatter=_form_scatter(run),
        star_count=quantile(counts, 0.9),
        sky_adu=quantile(skies, 0.5),
        e1=float(e1),
        e2=float(e2),
        note=note,
    )


def _sharp_form(run: Sequence[Member]) -> float:
    """Median concentration of the sharpest quarter of a run."""
    known = sorted(
        (m.numbers.get("fwhm_px", math.nan), m.numbers.get("concentration", math.nan))
        for _, m in run
        if math.isfinite(m.numbers.get("fwhm_px", math.nan))
    )
    return quantile([form for _, form in known[: max(1, len(known) // 4)]], 0.5)


def _form_scatter(run: Sequence[Member]) -> float:
    """Robust scatter of the concentration about the run's median."""
    forms = [m.numbers.get("concentration", math.nan) for _, m in run]
    middle = quantile(forms, 0.5)
    return 1.4826 * quantile([abs(form - middle) for form in forms], 0.5)


def common_shape(measures: FrameMeasures) -> tuple[float, float]:
    """Common shape (e1, e2) of a frame from its elongation and angle."""
    numbers = measures.numbers
    elongation = numbers.get("elongation", math.nan)
    angle = math.radians(2 * numbers.get("angle_deg", math.nan))
    size = (elongation**2 - 1) / (elongation**2 + 1)
    return size * math.cos(angle), size * math.sin(angle)


def inner_shape(measures: FrameMeasures) -> tuple[float, float]:
    """The same without the stars' wings, which lengthen little when they are moved."""
    return measures.form.get("inner_e1", math.nan), measures.form.get("inner_e2", math.nan)


def at_zenith(width: float | None, facts: Facts) -> float:
    return math.nan if width is None else width / airmass(facts) ** 0.6


def airmass(facts: Facts) -> float:
    """Airmass by Pickering 2002 (DIO 12:1, 20); 1 where the altitude is unknown or absurd."""
    altitude = facts.altitude_deg
    if altitude is None or not 5 <= altitude <= 90:
        return 1.0
    return 1 / math.sin(math.radians(altitude + 244 / (165 + 47 * altitude**1.1)))


def credible(numbers: Sequence[Mapping[str, float]], share: float = 1.0) -> NDArray[np.bool_]:
    """(n,) whether what is measured as stars in each frame of a run may tell what good ones are:
    not where they are far narrower than the middle frame's, and fewer than this share of its."""
    widths, counts = (
        np.array([one.get(name, math.nan) for one in numbers]) for name in ("fwhm_px", "star_count")
    )
    is_narrow = widths * FAR_SHARPER < quantile(widths.tolist(), 0.5)
    return np.asarray(~(is_narrow & (counts < share * quantile(counts.tolist(), 0.5))))


def merged(measures: Sequence[FrameMeasures]) -> NDArray[np.bool_]:
    """(n,) whether the stars of each frame of a run are so wide that they merge."""
    widths = np.array([one.numbers.get("fwhm_px", math.nan) for one in measures])
    plain = credible([one.numbers for one in measures])
    return np.asarray(widths > MERGED * low_tenth(widths[plain].tolist()))


def low_tenth(values: Sequence[float]) -> float:
    """Mean of the lowest tenth, at least of one; NaN if nothing is known."""
    known = sorted(value for value in values if math.isfinite(value))
    if not known:
        return math.nan
    return float(np.mean(known[: max(1, round(len(known) / 10))]))


def quantile(values: Sequence[float], share: float) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.quantile(known, share)) if known else math.nan
