"""The classical measures of one frame: numbers, and evidence on every fault.

    measures = measure_frame(frame)
    measures.numbers["fwhm_px"], measures.evidence["trail"].state

The second opinion beside the network: it uses sep, moments, fits and matched filters, and
shares nothing with the network's views but the line transform. What one frame cannot tell is
"unknown" here; `runs.judge_runs` compares the frames of a run and settles more.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from classifier import sky_evidence, star_evidence
from classifier.background import Background, SkyPicture, measure_background
from classifier.colour_planes import PlaneLight, colour_light, mosaic_light
from classifier.common_bar import NONE as NO_RAYS
from classifier.common_bar import spike_rays
from classifier.discs import find_discs
from classifier.evidence import Evidence
from classifier.facts import Facts
from classifier.field_pattern import find_pattern
from classifier.frame import Frame
from classifier.frame_overview import block_means
from classifier.mean_star import MeanStar, mean_star
from classifier.pixel_lines import Sensor
from classifier.repeated_images import find_repeated
from classifier.sensor_marks import sampled
from classifier.shapes import elongation_of
from classifier.sky_model import fit_sky, texture_adu
from classifier.spike_evidence import diffraction_spikes
from classifier.spikes import Spikes, find_spikes
from classifier.star_form import star_form
from classifier.star_rays import odd_pair
from classifier.stars import Field, find_stars
from classifier.sweeps import median
from classifier.trails import find_trails
from classifier.vocabulary import KEYS, fault

__all__ = ["Evidence", "FrameMeasures", "measure_frame"]

KEPT_STARS = 250
GLARING = 8
MAP_CELLS = 96  # along the longer side of the sky that is kept


@dataclass
class FrameMeasures:
    """numbers: see `measure_frame`, NaN or absent where unknown. evidence: one per fault, as a
    single frame gives it. stars: (n, 3) float32 x, y, flux of the brightest usable stars, which
    runs are matched by. shapes: (n, 6) float32 x, y, hfr_px, fwhm_px, e1, e2 of shaped stars,
    form: more on the mean star (see `star_form`) and inner_e1 and inner_e2, the common shape of all
    stars without their wings, and sky: (h, w) float16 ADU over the median of
    the frame's sky, NaN where blank, in cells of equal size; the night is read by these. glaring:
    (n, 3) float32 x, y, flux of the very brightest stars, saturated ones too. spikes: (n, 2)
    float32 direction and sigma of every pair of spikes. hot: (n, 2) int32 x, y of hot pixels, see
    `sensor_marks.sampled`. rays: see `common_bar.spike_rays`."""

    numbers: dict[str, float]
    evidence: dict[str, Evidence]
    stars: np.ndarray = field(default_factory=lambda: np.zeros((0, 3), np.float32))
    shapes: np.ndarray = field(default_factory=lambda: np.zeros((0, 6), np.float32))
    form: dict[str, float] = field(default_factory=dict)
    sky: np.ndarray = field(default_factory=lambda: np.zeros((0, 0), np.float16))
    glaring: np.ndarray = field(default_factory=lambda: np.zeros((0, 3), np.float32))
    spikes: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    hot: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.int32))
    rays: np.ndarray = field(default_factory=lambda: NO_RAYS)


def measure_frame(frame: Frame) -> FrameMeasures:
    """Numbers and evidence of one frame.

    numbers (px are pixels of the file, ADU as stored, e electrons):
    star_count (above 5 sigma, whole frame), hfr_px, fwhm_px (medians), fwhm_arcsec,
    elongation (of the common shape of all stars), elongation_median (star by star), angle_deg
    (long axis from +x towards +y), angle_coherence (|mean exp(2 i angle)| of stars, 0 to 1),
    skew, dip, lobes, concentration (2 HFR / FWHM; all of the mean star), sky_adu, noise_adu (per
    pixel), sky_e, sky_e_per_s, noise_e, gradient_pct, gradient_deg (towards the brighter side),
    vignetting_pct, texture_pct, hot_pixels_pct.
    """
    facts = frame.facts
    if min(frame.pixels.shape) < 32:
        return _too_small(frame.pixels.shape)
    background = measure_background(frame.pixels, facts.bayer, frame.overview)
    found = find_stars(background, facts.saturation_adu)
    model = fit_sky(background.picture)
    texture = texture_adu(background.picture, model)
    sky = sky_evidence.sky_light(background, facts)
    star = mean_star(found.stamps, found.centres)
    inner = _inner_star(found, background) or star
    numbers = _star_numbers(found, star, facts)
    inner_shape = _common_shape(found, "inner_e1", "inner_e2")
    stretch, coherence = elongation_of(*inner_shape), numbers["angle_coherence"]
    fwhm_px = numbers["fwhm_px"]

    dark, bright, least_adu = find_discs(
        background.picture, model.surface, found.stars, fwhm_px, background.noise_adu
    )
    trails = find_trails(
        background.picture,
        model.surface,
        fault("trail").counts_from,
        found.stars,
        fwhm_px,
        Sensor(frame.pixels, background.noise_adu, facts.saturation_adu),
    )
    repeated = find_repeated(found.stars, fwhm_px)
    pattern = find_pattern(found.stars, background.lit)
    spikes = find_spikes(background, found.stars, fwhm_px)
    pair = odd_pair(background, found.stars, fwhm_px)
    evidence = {
        "hot_pixels": sky_evidence.hot_pixels(background, fwhm_px),
        "dust_motes": sky_evidence.discs("dust_motes", dark, sky, background, least_adu),
        "vignetting": sky_evidence.vignetting(background, model, sky),
        "clouds": sky_evidence.clouds(texture, sky, background.picture.noise_adu),
        "defocus": star_evidence.defocus(star, found.bin_px),
        "trail": star_evidence.trail(trails, found.count, numbers["elongation"]),
        "miscollimation": star_evidence.miscollimation(inner, coherence),
        "diffraction_spikes": diffraction_spikes(spikes, pair, _has_bright(found)),
        "gradient": sky_evidence.gradient(background, model, sky),
        "low_signal": sky_evidence.low_signal(sky, facts),
        "bayer_grid": sky_evidence.bayer_grid(
            _plane_light(frame, background, found, numbers["hfr_px"]),
            background.mosaic or frame.planes is not None,
        ),
        "reflection": sky_evidence.discs("reflection", bright, sky, background),
        **star_evidence.elongated(
            star, stretch, coherence, repeated, pattern, numbers["elongation"]
        ),
    }
    explained = explanation(evidence, stretch, coherence)
    evidence["bloated_stars"] = star_evidence.bloated_stars(fwhm_px, facts, explained)
    numbers |= {
        "sky_adu": background.level_adu,
        "noise_adu": background.noise_adu,
        "gradient_deg": model.direction_deg,
        "hot_pixels_pct": 100 * background.hot_share,
        "texture_pct": 100 * texture / sky.adu if sky.exact and sky.adu > 0 else math.nan,
    }
    for name, key in (("gradient_pct", "gradient"), ("vignetting_pct", "vignetting")):
        value = evidence[key].value
        numbers[name] = math.nan if value is None else value
    numbers |= _electrons(background, sky, facts)
    ordered = {key: evidence[key] for key in KEYS}
    form = star_form(inner, background, found.stars, fwhm_px, pair)
    form |= dict(zip(("inner_e1", "inner_e2"), inner_shape, strict=True))
    return FrameMeasures(
        numbers,
        ordered,
        _kept_stars(found),
        _kept_shapes(found),
        form,
        sky=_kept_sky(background.picture, background.level_adu),
        glaring=_places(found.stars[:GLARING]),
        spikes=_pairs(spikes),
        hot=sampled(background.windows),
        rays=spike_rays(background, found.stars, fwhm_px),
    )


def explanation(evidence: dict[str, Evidence], stretch: float, coherence: float) -> str:
    """The fault that already explains wide stars, or an empty string. stretch: elongation of the
    common shape without wings."""
    for key in ("defocus", "miscollimation", "guiding_loss", "vibration", "drift"):
        if evidence[key].state == "yes":
            return fault(key).title
    if math.isfinite(stretch) and stretch >= 1.25 and coherence >= star_evidence.COHERENT:
        return "motion"
    return ""


def _star_numbers(found: Field, star: MeanStar | None, facts: Facts) -> dict[str, float]:
    shaped = found.stars[found.stars["shaped"]]
    numbers = {"star_count": float(round(found.count))}
    names = ["hfr_px", "fwhm_px", "fwhm_arcsec", "elongation", "elongation_median"]
    names += ["angle_deg", "angle_coherence", "skew", "dip", "lobes", "concentration"]
    numbers |= dict.fromkeys(names, math.nan)
    if not len(shaped):
        return numbers
    e1, e2 = _common_shape(found, "e1", "e2")
    scale = facts.scale_arcsec
    fwhm_px = float(np.median(shaped["fwhm_px"]))
    turns = np.exp(2j * np.deg2rad(shaped["angle_deg"].astype(float)))
    numbers |= {
        "hfr_px": float(np.median(shaped["hfr_px"])),
        "fwhm_px": fwhm_px,
        "fwhm_arcsec": math.nan if scale is None else fwhm_px * scale,
        "elongation": elongation_of(e1, e2),
        "elongation_median": float(np.median(shaped["elongation"])),
        "angle_deg": math.degrees(0.5 * math.atan2(e2, e1)) % 180,
        "angle_coherence": float(abs(turns.mean())),
    }
    if star is not None:
        numbers |= {"skew": star.skew, "dip": max(star.dip, 0.0), "lobes": star.lobes}
        numbers["concentration"] = 2 * star.hfr / star.fwhm
    return numbers


def _common_shape(found: Field, *names: str) -> tuple[float, float]:
    """Medians of two columns over the shaped stars, NaN without any."""
    shaped = found.stars[found.stars["shaped"]]
    known = shaped[np.isfinite(shaped[names[0]])]
    if not len(known):
        return math.nan, math.nan
    return float(np.median(known[names[0]])), float(np.median(known[names[1]]))


def _inner_star(found: Field, background: Background) -> MeanStar | None:
    """Mean star of the inner half of the field, where field coma is small."""
    shaped = found.stars[found.stars["shaped"]]
    x0, y0, x1, y1 = background.lit
    radius = np.hypot(shaped["x"] - (x0 + x1) / 2, shaped["y"] - (y0 + y1) / 2)
    inner = radius < 0.25 * math.hypot(x1 - x0, y1 - y0)
    if inner.sum() < 8:
        return None
    return mean_star(found.stamps[inner], found.centres[inner])


def _plane_light(
    frame: Frame, background: Background, found: Field, hfr_px: float
) -> PlaneLight | None:
    radius = float(np.clip(1.5 * hfr_px, 1.5, 12.0)) if math.isfinite(hfr_px) else 2.5
    if frame.planes is not None:
        return colour_light(frame.planes, background, found.stars, radius)
    if background.mosaic:
        return mosaic_light(background, found.stars, radius)
    return None


def _has_bright(found: Field) -> bool:
    """Whether some star is bright enough for spikes of a percent of its light to show."""
    return bool((found.stars["peak"] > 300 * found.noise_adu * found.bin_px).any())


def _electrons(
    background: Background, sky: sky_evidence.SkyLight, facts: Facts
) -> dict[str, float]:
    gain, seconds = facts.gain_e_adu, facts.exposure_s
    sky_e = math.nan if sky.electrons is None else sky.electrons
    return {
        "sky_e": sky_e,
        "sky_e_per_s": sky_e / seconds if seconds else math.nan,
        "noise_e": math.nan if gain is None else background.noise_adu * gain,
    }


def _kept_stars(found: Field) -> np.ndarray:
    good = found.stars[~found.stars["saturated"] & ~found.stars["edge"]]
    return _places(good[good["snr"] > 10][:KEPT_STARS])


def _places(stars: np.ndarray) -> np.ndarray:
    return np.stack((stars["x"], stars["y"], stars["flux"]), 1).astype(np.float32)


def _pairs(spikes: Spikes | None) -> np.ndarray:
    if spikes is None:
        return np.zeros((0, 2), np.float32)
    return np.array([*zip(spikes.bars_deg, spikes.strength, strict=True)], np.float32).reshape(
        -1, 2
    )


def _kept_shapes(found: Field) -> np.ndarray:
    shaped = found.stars[found.stars["shaped"]][:KEPT_STARS]
    names = ("x", "y", "hfr_px", "fwhm_px", "e1", "e2")
    return np.stack([shaped[name] for name in names], 1).astype(np.float32)


def _kept_sky(picture: SkyPicture, usual: float) -> np.ndarray:
    light = np.where(picture.valid, picture.level - np.float32(usual), np.float32(0))
    step = max(1, -(-max(light.shape) // MAP_CELLS))
    seen = block_means(picture.valid.astype(np.float32), step)
    with np.errstate(invalid="ignore"):  # cells that are blank throughout stay unknown
        cells = block_means(light, step) / seen
    if (seen > 0).any():
        cells = cells - median(cells[seen > 0])
    return np.clip(cells, -6e4, 6e4).astype(np.float16)


def _too_small(shape: tuple[int, ...]) -> FrameMeasures:
    note = f"the frame is only {shape[1]} x {shape[0]} px; measures need at least 32 x 32"
    rows = {key: fault(key) for key in KEYS}
    evidence = {
        key: Evidence("unknown", None, row.unit, row.counts_from, note) for key, row in rows.items()
    }
    return FrameMeasures({"star_count": math.nan}, evidence)
