"""Evidence on the faults that show in the stars, from one frame.

Elongated stars. Drift, vibration and guiding errors stretch all stars the same way. What one
frame can tell of them is the form of the mean star along its long axis:
    two equal lobes with a dip between      a vibration dwells at its ends; drift does not
    unequal lobes, or three                 jumps: guiding
    no dip although longer than 2 x wide    drift: so wide a vibration would show its lobes
    longer in its wings than in its core    a jump for a small part of the sub: guiding
    anything else                           either: both stay unknown, and the run decides
One cause explains what it explains: an elongated or lopsided star is not also called bloated.
"""

import math
from dataclasses import replace

from classifier.evidence import NO, UNKNOWN, YES, Evidence, unknown
from classifier.facts import Facts
from classifier.field_pattern import (
    CONSTANT,
    ONE_SIDE,
    RADIAL,
    TANGENTIAL,
    TURNING,
    FieldPattern,
)
from classifier.mean_star import MeanStar
from classifier.repeated_images import Repeated
from classifier.trails import Trail
from classifier.vocabulary import fault

# Axial coherence of the angles from which stretching counts as common. Chance gives 0.9 / sqrt(n)
# and neighbours in a crowded field dilute a true one to a third.
COHERENT = 0.3
LEAST_FOR_SKEW = 15
LEAST_FOR_FORM = 6
LOBED = 0.08  # dip between two lobes that noise and sampling do not make
EQUAL_LOBES = 0.75
LOPSIDED = 0.3  # asymmetry from which a star was pushed to one side
DRAWN_OUT = 4.0  # a star this long is a short line to any search for lines
LONG = 2.05  # a sine as long as this shows two lobes
# Elongation of all of the star over that without wings. Steady motion and shaking lengthen the
# core more (none of 147 rendered subs came to 1.12); a jump that leaves little light behind
# lengthens the wings alone: 8 of 43 subs with a guiding loss come to 1.15, none of 795 without.
# Their stars point one way (axial coherence 0.79 and more), chance makes 0.4 of faint ones.
TAILED, TAILED_COHERENT = 1.15, 0.6
# Third moment over size^3 of coma that adds 25 % to the HFR, through Kolmogorov seeing of 3 px:
# 0.19 without, 0.15 with an obstruction of 0.35 (galsim).
SKEWED = 0.17
# Field coma, tilt and neighbours reach 0.25 on good frames; only from there it counts by itself.
SURELY_SKEWED = 0.25
# Full width in pixels under which the cut-outs of stars cannot be laid over one another without
# making the mean lopsided: up to 0.35 for stars of 0.5 px, 0.1 for 1.2 px (pixel-integrated
# Gaussians), whose means are 1.3 and 1.6 px wide.
FORMLESS_PX = 1.6
DIP, DIP_SIGMA = 0.15, 5.0
# 2 HFR / FWHM: 1.04 for an Airy disc, 1.0 for a Gaussian, more with wings, 0.7 to 0.8 for discs.
FLAT = 0.86
NO_STARS = "too few stars to lay over one another"
# Seeing at amateur sites: 1.5 arcsec on the best nights, 4 on poor but usable ones (cp).
BEST_SEEING_ARCSEC, POOR_SEEING_ARCSEC = 1.5, 4.0


def elongated(
    star: MeanStar | None,
    elongation: float,
    coherence: float,
    repeated: Repeated | None,
    pattern: FieldPattern | None = None,
    whole: float = math.nan,
) -> dict[str, Evidence]:
    """vibration, drift and guiding_loss. elongation: of the common shape without wings, which hide
    how the core is stretched; whole: with them; coherence: 0 to 1; repeated: images that every
    star has at the same offset, if any; pattern: of the stretch over the field, where it could be
    told."""
    keys = ("vibration", "drift", "guiding_loss")
    rows = {key: fault(key) for key in keys}
    if star is None or not math.isfinite(elongation):
        return {key: unknown(row.unit, row.counts_from, NO_STARS) for key, row in rows.items()}
    path = _path(star)

    def said(states: tuple[str, str, str], note: str) -> dict[str, Evidence]:
        values = (elongation, elongation, path)
        where = [] if pattern is None or NO == states[0] == states[1] else pattern.whiskers
        return {
            key: Evidence(state, value, rows[key].unit, rows[key].counts_from, note, where)
            for key, state, value in zip(keys, states, values, strict=True)
        }

    if repeated is not None:
        path = max(path, repeated.distance_fwhm)
        if path >= rows["guiding_loss"].counts_from:
            note = f"{100 * repeated.share:.0f} % of the stars have a second image"
            return said((NO, NO, YES), note)
    if _is_tailed(star, elongation, whole, coherence):
        judged = said((NO, NO, YES), "a faint tail or second image of every star: a short jump")
        jump, unit = judged["guiding_loss"], "elongation with wings / without"
        jump = replace(jump, value=whole / elongation, unit=unit, threshold=TAILED)
        return judged | {"guiding_loss": jump}
    laid_out = _laid_out(pattern, rows["drift"].counts_from)
    if pattern is not None and laid_out and pattern.name == TANGENTIAL:
        note = f"{laid_out}: the field turned about its middle, or astigmatism; the run can say"
        return said((NO, UNKNOWN, NO), note)
    if pattern is not None and laid_out and pattern.name == TURNING:
        # Directions differ over the field, so that the common shape is rounder than the stars.
        elongation = max(elongation, pattern.typical_elongation)
        if elongation >= rows["drift"].counts_from:
            x, y = pattern.centre or (math.nan, math.nan)
            return said((NO, YES, NO), f"the field turned about x {x:.0f}, y {y:.0f}")
    if elongation < rows["drift"].counts_from:
        return said((NO, NO, NO), laid_out)
    if pattern is not None and pattern.name == RADIAL:
        return said((NO, NO, NO), f"{laid_out}: optics, not tracking")
    if coherence < COHERENT:
        note = "stars are stretched, but not all the same way: optics or tilt"
        return said((NO, NO, NO), note)
    if star.stars < LEAST_FOR_FORM:
        return said(
            (UNKNOWN, UNKNOWN, UNKNOWN), f"stretched, but only {star.stars} stars to see how"
        )
    if star.lobes > LOBED and path >= rows["guiding_loss"].counts_from:
        if star.lobe_ratio < EQUAL_LOBES or star.asymmetry > LOPSIDED:
            return said((NO, NO, YES), "unequal images of every star: jumps")
        note = "two equal lobes: a vibration, or one jump half-way through the sub"
        return said((UNKNOWN, NO, UNKNOWN), note)
    if star.lobes > LOBED:
        return said((YES, NO, NO), "two equal lobes: the stars dwelt at both ends")
    lopsided = star.asymmetry > LOPSIDED
    if lopsided:
        note = "long and lopsided: one-sided pushes, one-axis guiding or coma"
        return said((UNKNOWN, UNKNOWN, UNKNOWN), note)
    # By all of the star: of a Gaussian's line the core alone says up to a tenth too much.
    if star.elongation >= LONG:
        return said((NO, YES, NO), "long without lobes: steady motion")
    if path >= rows["guiding_loss"].counts_from:
        # So far a star may have been led astray as well: along a line it draws no steps.
        note = "one frame cannot tell drift, vibration and lost guiding apart; the run can"
        return said((UNKNOWN, UNKNOWN, UNKNOWN), note)
    note = "one frame cannot tell drift from vibration; the run can"
    return said((UNKNOWN, UNKNOWN, NO), note)


def _is_tailed(star: MeanStar, elongation: float, whole: float, coherence: float) -> bool:
    """Whether the wings are stretched one way, so far that it counts, and the core not as much."""
    seen = star.stars >= LEAST_FOR_SKEW and coherence >= TAILED_COHERENT
    return seen and whole >= fault("drift").counts_from and whole >= TAILED * elongation


def _laid_out(pattern: FieldPattern | None, counts_from: float) -> str:
    """How the stretch is laid out, where it reaches the level that counts somewhere."""
    if pattern is None or pattern.largest_elongation < counts_from:
        return ""
    how = {
        CONSTANT: "stretched alike all over the field",
        RADIAL: "stretched along the line to the middle of the field",
        TANGENTIAL: "stretched round the middle of the field",
        TURNING: "stretched round a point beside the middle of the field",
        ONE_SIDE: "stretched towards one edge of the field only",
    }[pattern.name]
    return f"{how}, up to {pattern.largest_elongation:.2f}"


def _path(star: MeanStar) -> float:
    """Path in FWHMs across the long axis: the distance between lobes, or without lobes the length
    of the line that adds what the long axis has more in variance (L^2 / 12)."""
    added = (star.narrow_fwhm / 2.3548) * math.sqrt(12 * max(star.elongation**2 - 1, 0.0))
    return (star.lobe_distance if star.lobes > LOBED else added) / star.narrow_fwhm


def defocus(star: MeanStar | None, bin_px: int) -> Evidence:
    """By the form alone, a hole or a flat disc; a slight defocus needs the run's own stars."""
    row, unit = fault("defocus"), "% central hole"
    if star is None:
        return unknown(unit, 100 * DIP, NO_STARS)
    value = 100 * max(star.dip, 0.0)
    is_round = star.elongation < 1.35 and star.asymmetry < 0.35
    if star.dip >= DIP and star.dip_sigma >= DIP_SIGMA and is_round:
        return Evidence(YES, value, unit, 100 * DIP, "stars have a hole")
    flatness = 2 * star.hfr / star.fwhm
    if flatness < FLAT and star.hfr * bin_px > 2.5 and is_round and star.elongation < 1.2:
        return Evidence(YES, flatness, "HFD / FWHM", FLAT, "stars are flat discs")
    if star.hfr * bin_px < 1.5:
        return Evidence(NO, value, unit, 100 * DIP, "stars are as sharp as the pixels allow")
    note = f"no hole; {row.counts_from} times the in-focus size needs the run"
    return unknown(unit, 100 * DIP, note, value)


def good_width_arcsec(facts: Facts, seeing_arcsec: float) -> float | None:
    """FWHM of a good star in arcsec: seeing, diffraction (1.03 lambda / D at 550 nm) and three
    pixels (what short lenses reach, cp) added in square; None where the scale is unknown."""
    if facts.scale_arcsec is None:
        return None
    spot = 0.0 if facts.aperture_mm is None else 1.03 * 550e-6 / facts.aperture_mm * 206265
    return math.sqrt(seeing_arcsec**2 + spot**2 + (3 * facts.scale_arcsec) ** 2)


def bloated_stars(fwhm_px: float, facts: Facts, explained: str) -> Evidence:
    """Against seeing that is plausible on the ground, where the scale is known.

    Over 1.4 times the good width with poor seeing the stars are bloated, under 1.4 times that
    with the best seeing they are not; between the two only the run can say.
    """
    row, unit = fault("bloated_stars"), "arcsec FWHM"
    scale = facts.scale_arcsec
    if not math.isfinite(fwhm_px):
        return unknown(unit, None, NO_STARS)
    if scale is None:
        return unknown(unit, None, "the image scale is unknown, so one frame cannot say")
    low = row.counts_from * (good_width_arcsec(facts, BEST_SEEING_ARCSEC) or 0.0)
    high = row.counts_from * (good_width_arcsec(facts, POOR_SEEING_ARCSEC) or 0.0)
    value = fwhm_px * scale
    if value < low:
        return Evidence(NO, value, unit, high)
    if explained:
        return unknown(unit, high, f"wide, but {explained} explains it", value)
    if value >= high:
        return Evidence(YES, value, unit, high, "wider than seeing makes them")
    return unknown(unit, high, "as wide as poor seeing makes them; the run can say", value)


def miscollimation(star: MeanStar | None, coherence: float) -> Evidence:
    """Lopsidedness of the mean star of the inner half of the field, or of a ring's hole."""
    unit = "third moment"
    if star is None:
        return unknown(unit, SKEWED, NO_STARS)
    if star.dip >= DIP and star.dip_sigma >= DIP_SIGMA:
        state = YES if star.hole_offset >= 0.15 else NO
        return Evidence(state, star.hole_offset, "hole offset / ring diameter", 0.15)
    if star.skew_noise > SKEWED / 4:
        return unknown(unit, SKEWED, "stars are too faint to see a lopsided wing", star.skew)
    if star.skew < SKEWED:
        return Evidence(NO, star.skew, unit, SKEWED)
    if star.fwhm < FORMLESS_PX:
        # Without a threshold: what is measured is the sampling.
        note = "stars are as sharp as the pixels: a lopsided wing would not show"
        return unknown(unit, None, note, star.skew)
    if star.lobes > LOBED:
        return unknown(unit, SKEWED, "double images are lopsided too", star.skew)
    # Coma stretches a star by about as much as it skews it; one-sided pushes stretch more.
    if star.elongation - 1 > 1.3 * star.skew + 0.05 and coherence >= COHERENT:
        note = "long and lopsided: pushes to one side, one-axis guiding or coma"
        return unknown(unit, SKEWED, note, star.skew)
    if star.stars < LEAST_FOR_SKEW:
        # Without a threshold: so few stars bear out nothing, whatever their mean shows.
        note = f"only {star.stars} stars: one neighbour makes the mean star lopsided"
        return unknown(unit, None, note, star.skew)
    wing = f"wing towards {star.skew_deg:.0f} deg"
    if star.skew < SURELY_SKEWED:
        return unknown(unit, SURELY_SKEWED, f"{wing}, as strong as field coma may be", star.skew)
    return Evidence(YES, star.skew, unit, SURELY_SKEWED, wing)


def trail(trails: list[Trail], star_count: float, elongation: float = math.nan) -> Evidence:
    """star_count: of the frame; elongation: of the common shape of its stars."""
    row = fault("trail")
    if not trails:
        return unknown(row.unit, row.counts_from, "the frame is too small for a line search")
    strong = [t for t in trails if t.snr >= row.counts_from]
    lines = [t for t in strong if t.is_line]
    where = [[round(v, 1) for v in t.ends] for t in lines or strong]
    if lines and elongation >= DRAWN_OUT:
        note = "the stars themselves are drawn out to lines"
        return Evidence(UNKNOWN, lines[0].snr, row.unit, row.counts_from, note, where)
    if len(lines) > 1 and star_count < 10:
        note = "several lines and hardly a star: trails, or every star drawn out"
        return Evidence(UNKNOWN, lines[0].snr, row.unit, row.counts_from, note, where)
    if lines:
        sure = any(t.is_unmistakable for t in lines)
        return Evidence(YES, lines[0].snr, row.unit, row.counts_from, where=where, sure=sure)
    if any(t.along_grid for t in strong):
        note = "a line along a pixel column or row: a bad column, blooming or a trail"
        return Evidence(UNKNOWN, strong[0].snr, row.unit, row.counts_from, note, where)
    if strong:
        note = "a straight structure that is not a thin line along its length"
        return Evidence(NO, 0.0, row.unit, row.counts_from, note, where)
    # Too weak to count, but where a model may see one.
    weak = [[round(v, 1) for v in t.ends] for t in trails[:1] if t.snr >= row.clean_below]
    return Evidence(NO, trails[0].snr, row.unit, row.counts_from, where=weak)
