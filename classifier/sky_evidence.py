"""Evidence on the faults of sky and sensor, from one frame.

Percentages of the sky need the sky above the camera's offset. Where the offset is unknown, gain
and read noise tell it: sky plus dark electrons = (gain x noise)^2 - (read noise)^2. Where these
are unknown too, the level as stored, less a stated pedestal, is an upper bound of the sky and the
percentage a lower one: it can say yes, never no.
"""

import math
from dataclasses import dataclass

from classifier.background import Background
from classifier.colour_planes import PlaneLight
from classifier.discs import Disc
from classifier.evidence import NO, UNKNOWN, YES, Evidence, unknown
from classifier.facts import Facts
from classifier.sky_model import SkyModel
from classifier.vocabulary import fault

LEAST_PX = 150
NARROW_PX = 1.5
# Sky texture over the noise of a cell. Noise alone gives 0.16 to 0.4 (medians of up to 8 x 8
# cells), faint stars and the neighbours' wings in rich fields up to 1.4 on real frames.
UNEVEN = 2.0
# What round patches may be that have no clear edge. Of 38 rendered frames without dust four had
# dark ones.
PATCHES = {
    "dust_motes": "dark round patches without a clear edge: a dark nebula, cloud or a soft shadow",
    "reflection": "bright patches without a clear round edge: nebula, galaxy, halo or reflection",
}
MOST_PCT = 60.0  # of the sky: deeper shadows are no dust
NO_OFFSET = "the offset is unknown and cannot be told from gain and read noise"


@dataclass(frozen=True)
class SkyLight:
    """Sky above the offset in ADU.

    exact is false where only an upper bound is known; bounded is false where not even that is:
    8-bit pictures have been stretched and cut at black, reduced frames had their sky taken out.
    """

    adu: float
    electrons: float | None
    exact: bool
    note: str = ""
    bounded: bool = True


def sky_light(background: Background, facts: Facts) -> SkyLight:
    """The sky above the offset, by the best way the facts allow."""
    gain = facts.gain_e_adu
    if facts.offset_adu is not None:
        adu = background.level_adu - facts.offset_adu
        return SkyLight(adu, None if gain is None else adu * gain, True)
    if gain is not None and facts.read_noise_e is not None:
        electrons = (gain * background.noise_adu) ** 2 - facts.read_noise_e**2
        # Below a tenth of the read noise's share the difference is lost in its own error.
        if electrons > 0.1 * facts.read_noise_e**2:
            return SkyLight(electrons / gain, electrons, True, "sky told from the noise")
        if electrons < -0.3 * facts.read_noise_e**2:
            note = "the frame has less noise than the read noise stated"
            most = background.level_adu - (facts.pedestal_adu or 0.0)
            return SkyLight(most, None, False, note, False)
        bound = max(electrons, 0.1 * facts.read_noise_e**2)
        return SkyLight(bound / gain, bound, False, "the noise is read noise alone", False)
    # The camera's own bias may lie under what a program added.
    most = background.level_adu - (facts.pedestal_adu or 0.0)
    stretched = facts.bit_depth == 8 or most < 10 * background.noise_adu
    return SkyLight(most, None, False, NO_OFFSET, not stretched)


def hot_pixels(background: Background, fwhm_px: float) -> Evidence:
    row = fault("hot_pixels")
    value = 100 * background.hot_share
    if fwhm_px < NARROW_PX and row.clean_below < value < 10 * row.counts_from:
        note = f"stars of {fwhm_px:.1f} px are as narrow as hot pixels; a dark frame would tell"
        return unknown(row.unit, row.counts_from, note, value)
    state = YES if value >= row.counts_from else NO
    return Evidence(state, value, row.unit, row.counts_from)


def vignetting(background: Background, model: SkyModel, sky: SkyLight) -> Evidence:
    drop = model.centre_adu - model.corner_adu
    at_centre = _at_centre(model, background, sky)
    evidence = _of_sky("vignetting", drop, at_centre, sky, background, model.scatter_adu)
    return _trusted(evidence, model, background, 0.2 * max(drop, 0.0))


def gradient(background: Background, model: SkyModel, sky: SkyLight) -> Evidence:
    step, scatter = model.gradient_adu, model.scatter_adu
    evidence = _of_sky("gradient", step, sky.adu, sky, background, scatter)
    evidence = _trusted(evidence, model, background, 0.12 * model.gradient_adu)
    if evidence.state == YES and model.off_centre:
        note = "a gradient, or vignetting that is not centred on the frame"
        return Evidence(UNKNOWN, evidence.value, evidence.unit, evidence.threshold, note)
    return evidence


def _at_centre(model: SkyModel, background: Background, sky: SkyLight) -> float:
    return sky.adu + model.centre_adu - background.level_adu


def _of_sky(
    key: str,
    step_adu: float,
    sky_adu: float,
    sky: SkyLight,
    background: Background,
    scatter_adu: float,
) -> Evidence:
    """A step in ADU as a percentage of the sky, with all that is uncertain about the sky."""
    row = fault(key)
    if sky.exact and step_adu < scatter_adu and row.counts_from / 100 * sky_adu < scatter_adu:
        return unknown(row.unit, row.counts_from, "lost in the unevenness of a dark sky")
    if step_adu < 0.3 * background.noise_adu:
        # A fault of this size would show in the noise of its own light, had the sky any.
        value = max(0.0, 100 * step_adu / sky_adu) if sky.exact and sky_adu > step_adu else 0.0
        if value <= row.clean_below:
            return Evidence(NO, value, row.unit, row.counts_from, "flat to within the noise")
        if value < row.counts_from:
            return unknown(row.unit, row.counts_from, "lost in the noise of a dark sky", value)
    if sky_adu <= background.noise_adu * 0.2:
        return unknown(row.unit, row.counts_from, "no sky above the offset to compare with")
    value = 100 * step_adu / sky_adu
    if not sky.exact:
        if value >= row.counts_from and sky.bounded:
            return Evidence(YES, value, row.unit, row.counts_from, f"at least: {sky.note}")
        return unknown(row.unit, row.counts_from, sky.note)
    return Evidence(
        YES if value >= row.counts_from else NO, value, row.unit, row.counts_from, sky.note
    )


def _trusted(
    evidence: Evidence, model: SkyModel, background: Background, scatter_adu: float
) -> Evidence:
    """Unknown instead of yes where other structure scatters more than `scatter_adu`, or where
    the frame is but a cut-out of a few stars' surroundings."""
    if evidence.state != YES:
        return evidence
    x0, y0, x1, y1 = background.lit
    small = min(x1 - x0, y1 - y0) < LEAST_PX
    if model.used_share > 0.5 and model.scatter_adu < scatter_adu and not small:
        return evidence
    note = "nebulosity, obstruction or cloud beside the fitted step"
    if small:
        note = f"too small a cut-out, {x1 - x0} x {y1 - y0} px, to tell sky from a star's light"
    return Evidence(UNKNOWN, evidence.value, evidence.unit, evidence.threshold, note)


def clouds(texture_adu: float, sky: SkyLight, cell_noise_adu: float) -> Evidence:
    """Unevenness of the sky over the noise of one cell of the sky picture, as one frame shows it.

    Never more than unknown: a smooth sky may be evenly veiled, and an uneven one may hold a
    nebula, or trees. Where it is uneven the value reaches its threshold.
    """
    row = fault("clouds")
    note = "one frame cannot tell cloud from nebulosity; its run can"
    if sky.exact and sky.adu > 0 and math.isfinite(texture_adu):
        note += f" (sky texture {100 * texture_adu / sky.adu:.1f} % of the sky)"
    if not math.isfinite(texture_adu) or cell_noise_adu <= 0:
        return unknown(row.unit, row.counts_from, note)
    return unknown("times the noise in sky texture", UNEVEN, note, texture_adu / cell_noise_adu)


def discs(
    key: str,
    found: list[Disc] | None,
    sky: SkyLight,
    background: Background,
    least_adu: float = math.nan,
) -> Evidence:
    """Dust shadows or reflections from the candidates of the matched filter. least_adu: the step
    from which a usual one would be found, NaN unknown."""
    row = fault(key)
    if found is None:
        return unknown(row.unit, row.counts_from, "stars cover most of the sky")
    edged = [disc for disc in found if disc.has_edge]
    if not edged:
        if not found:
            return _without_discs(key, sky, least_adu)
        note = PATCHES[key]
        return Evidence(UNKNOWN, None, row.unit, row.counts_from, note, perhaps=_places(found))
    if sky.adu <= 0.2 * background.noise_adu:
        note = "no sky above the offset to compare with"
        return Evidence(UNKNOWN, None, row.unit, row.counts_from, note, perhaps=_places(edged))
    deepest = max(100 * abs(disc.step_adu) / sky.adu for disc in edged)
    counted = [disc for disc in edged if 100 * abs(disc.step_adu) / sky.adu >= row.counts_from]
    # Surface brightness must also reach 1 sigma after binning by 16 px.
    if key == "reflection":
        counted = [d for d in counted if abs(d.step_adu) >= background.noise_adu / 16]
    where = _places(counted or edged)
    if counted and sky.bounded:
        note = "" if sky.exact else f"at least: {sky.note}"
        return Evidence(YES, deepest, row.unit, row.counts_from, note, where)
    if not sky.exact:
        return Evidence(UNKNOWN, None, row.unit, row.counts_from, sky.note, where)
    return Evidence(NO, deepest, row.unit, row.counts_from, sky.note, where)


def _without_discs(key: str, sky: SkyLight, least_adu: float) -> Evidence:
    """None, unless one that counts would be lost in noise."""
    row = fault(key)
    least_pct = 100 * least_adu / sky.adu if sky.adu > 0 else math.inf
    if math.isnan(least_adu) or least_pct <= row.counts_from:
        return Evidence(NO, 0.0, row.unit, row.counts_from)
    hidden = f"less than {least_pct:.0f} %" if least_pct < MOST_PCT else "any depth"
    return unknown(row.unit, row.counts_from, f"one of {hidden} would be lost in noise")


def _places(found: list[Disc]) -> list[list[float]]:
    return [[round(d.x, 1), round(d.y, 1), round(d.radius, 1)] for d in found]


def low_signal(sky: SkyLight, facts: Facts) -> Evidence:
    row = fault("low_signal")
    if facts.read_noise_e is None or facts.gain_e_adu is None:
        missing = "read noise" if facts.gain_e_adu is not None else "gain"
        return unknown(
            row.unit, row.counts_from, f"the {missing} is unknown; give it in a rig file"
        )
    if sky.electrons is None:
        return unknown(row.unit, row.counts_from, sky.note)
    value = sky.electrons / facts.read_noise_e**2
    if value < -0.3:
        note = "the sky lies below the offset, so one of them is wrong"
        return unknown(row.unit, row.counts_from, note, value)
    state = YES if value < row.counts_from else NO
    return Evidence(state, max(value, 0.0), row.unit, row.counts_from, sky.note)


def bayer_grid(light: PlaneLight | None, has_colour: bool) -> Evidence:
    row = fault("bayer_grid")
    if not has_colour:
        return Evidence(NO, None, row.unit, row.counts_from, "a frame without colour planes")
    if light is None:
        return unknown(row.unit, row.counts_from, "too few bright stars to compare the planes")
    state = YES if light.ratio < row.counts_from else NO
    return Evidence(state, light.ratio, row.unit, row.counts_from)
