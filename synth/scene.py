"""A scene: everything one exposure depends on, before any light is collected.

A clean scene of a rig comes from `draw_run`: the frames of one run share rig, field and sensor
and differ in dither, air and sky. Recipes return changed copies; nothing is ever drawn onto
finished pixels, so faults compose and the noise stays right.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from classifier.vocabulary import fault
from synth import (
    catalogue,
    edges,
    good_optics,
    pictures,
    processing,
    shading,
    sky,
    tracking,
    weather,
)
from synth import field as starfield
from synth.atmosphere import airmass_factor
from synth.optics import TERMS
from synth.rig import SHORT_LENS_SHARE, Rig, draw_rig
from synth.rng import log_uniform, stream
from synth.run_course import Course, draw_course


@dataclass(frozen=True)
class Bar:
    """A stray bar over the pupil, in apertures: it makes a pair of spikes."""

    angle_deg: float
    width: float
    offset: float
    half: bool


@dataclass(frozen=True)
class Scene:
    """One frame's physics. Blur angles in px of the final frame, waves rms, electrons, seconds.

    `waves` act all over the field; `corner_*` grow outward and reach their value in the corner.
    `charge_tail` is the share of its charge that a pixel leaves behind, how far in px, and along
    which axis (0 columns, 1 rows); of what spills over a full well `spill_up` goes up the column.
    `strength` holds what is known to be in the frame, by fault key, in the vocabulary's units;
    keys left out are worked out by `strength` from the light itself. `extinction_mag` dims all
    that lies beyond the air; the seeing and sky numbers are those at the frame's altitude.
    """

    rig: Rig
    width_px: int
    height_px: int
    exposure_s: float
    sky_mag: float
    field_seed: int
    shift_px: tuple[float, float] = (0.0, 0.0)
    temperature_c: float = -10.0
    extinction_mag: float = 0.0
    # optics
    waves: tuple[float, ...] = (0.0,) * len(TERMS)
    field_coma_waves: float = 0.0
    curvature_waves: float = 0.0
    astigmatism_waves: float = 0.0
    tilt_waves: tuple[float, float] = (0.0, 0.0)
    bars: tuple[Bar, ...] = ()
    good_waves: tuple[float, ...] = (0.0,) * len(TERMS)
    good_halo_share: float = 0.0
    good_halo_px: float = 10.0
    # air and pointing
    seeing_factor: float = 1.0
    halo_share: float = 0.0
    halo_px: float = 10.0
    path: np.ndarray = field(default_factory=tracking.still)
    twist_deg: float = 0.0
    twist_centre: tuple[float, float] = (0.0, 0.0)
    # sky and shadows, parameters of the maps in `sky`, `field` and `reflections`
    vignetting: Any = None
    dust: Any = None
    gradient: Any = None
    clouds: Any = None
    nebula: Any = None
    galaxies: Any = None
    reflection: Any = None
    trails: tuple[Any, ...] = ()
    stars: Any = None
    # sensor and file
    hot_share: float = 1e-5
    hot_e: float = 2000.0
    warm_share: float = 0.0
    dead_share: float = 0.0
    bad_columns: int = 0
    row_noise_e: float = 0.0
    column_noise_e: float = 0.0
    smear_share: float = 0.0
    charge_tail: tuple[float, float, int] = (0.0, 10.0, 0)
    spill_up: float = 0.5
    amp_glow: Any = None
    edges: Any = None
    flat: Any = None
    plane_response: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    processing: str = "raw"
    strength: dict[str, float] = field(default_factory=dict)
    recipe: tuple[str, ...] = ()

    @property
    def loss_mag(self) -> float:
        """By how much air and the mean cloud dim what is beyond them."""
        return self.extinction_mag + (0.0 if self.clouds is None else float(self.clouds.mean_mag))

    def with_(self, key: str, strength: float | None = None, **changes: Any) -> "Scene":
        """A copy with a recipe applied; `strength` None leaves it to be measured."""
        known = {name: value for name, value in self.strength.items() if name != key}
        if strength is not None:
            known[key] = strength
        return replace(self, strength=known, recipe=(*self.recipe, key), **changes)

    def with_unknown(self, key: str) -> "Scene":
        """A copy in which nobody is to be taught or scored on that fault."""
        return replace(self, strength=self.strength | {key: float("nan")})

    @property
    def good_fwhm_px(self) -> float:
        """First guess of a good star's FWHM, as the rig has it."""
        return self.rig.good_fwhm_px

    @property
    def sky_e(self) -> float:
        """Sky electrons per pixel of the sub at the middle of a clean frame."""
        response = sum(self.plane_response) / len(self.plane_response)
        return float(self.rig.sky_e_s(self.sky_mag) * self.exposure_s * response)

    @property
    def dark_e(self) -> float:
        """Dark electrons per pixel of the sub, at its temperature."""
        return self.rig.camera.dark_e_s * dark_factor(self.temperature_c) * self.exposure_s

    @property
    def noise_e(self) -> float:
        """Sigma of an empty pixel, electrons; a step of g electrons adds g^2 / 12 (uniform)."""
        camera = self.rig.camera
        own_e2 = camera.read_noise_e**2 + camera.gain_e_adu**2 / 12
        return math.sqrt(self.sky_e + self.dark_e + own_e2)


def dark_factor(temperature_c: float) -> float:
    """Dark current over that at -10 degrees C: it doubles every 6 K (common practice)."""
    return float(2 ** ((temperature_c + 10) / 6))


# How the three colours of a sensor answer to broad-band light, relative to green
# (common practice: green strongest).
_BROAD_BAND = {"R": (0.55, 0.95), "G": (1.0, 1.0), "B": (0.6, 0.95)}


def _plane_response(rng: np.random.Generator, rig: Rig) -> tuple[float, float, float, float]:
    if rig.camera.cfa is None:
        return (1.0, 1.0, 1.0, 1.0)
    colours = {name: float(rng.uniform(*limits)) for name, limits in _BROAD_BAND.items()}
    red, green, _, blue = (colours[name] for name in "RGGB")
    values = {"R": red, "G": green, "B": blue}
    return tuple(values[name] for name in rig.camera.cfa)  # type: ignore[return-value]


# Share of runs of mono cameras that are a star camera's: short lens, short exposure, 8 bits.
LIVE_SHARE = 0.04


def _exposure_s(
    rng: np.random.Generator, rig: Rig, sky_over_read2: float, least_s: float = 0.2
) -> float:
    """Sub length at which the sky holds that many squared read noises, within reason."""
    wanted_e = sky_over_read2 * rig.camera.read_noise_e**2
    camera = rig.camera
    room_e = camera.gain_e_adu * (camera.saturation_adu - camera.offset_adu)
    wanted_e = min(wanted_e, 0.25 * camera.full_well_e, 0.3 * room_e)
    return float(np.clip(wanted_e / rig.sky_e_s(rig.sky_mag), least_s, 900.0))


def draw_run(
    seed: int, run: int, count: int, width_px: int, height_px: int, cfa: bool, sky: bool = True
) -> list[Scene]:
    """`count` clean scenes of one run: same rig, field and sensor; dither and weather differ.

    `sky` False leaves out nebulae, galaxies, shade and gradient, where only stars are wanted.
    """
    rng = stream(seed, "run", run)
    is_live = not cfa and stream(seed, "live", run).random() < LIVE_SHARE
    short_share = 1.0 if is_live else SHORT_LENS_SHARE
    rig = draw_rig(rng, cfa_share=1.0 if cfa else 0.0, short_share=short_share)
    air = weather.draw_air(stream(seed, "air", run), rig, width_px, height_px)
    rig = _seen_through(rig, air)
    sky_over_read2 = log_uniform(rng, *((0.1, 30.0) if is_live else (6.0, 1000.0)))
    exposure_s = _exposure_s(rng, rig, sky_over_read2, 0.02 if is_live else 0.2)
    base = Scene(
        rig=rig,
        width_px=width_px,
        height_px=height_px,
        exposure_s=exposure_s,
        sky_mag=rig.sky_mag,
        field_seed=int(rng.integers(2**31)),
        extinction_mag=air.extinction_mag,
        plane_response=_plane_response(rng, rig),
        **good_optics.draw_optics(rng, rig),
        **(_clean_sky(rng, rig, width_px, height_px, air) if sky else {}),
    )
    base = _sensor(stream(seed, "sensor", run), base, cfa, is_live)
    base = _with_stars(stream(seed, "field", run), base)
    base = _guided(stream(seed, "guiding", run), base)
    course = draw_course(stream(seed, "course", run), air, count)
    return [_in_turn(stream(seed, "run", run, "frame", i), base, course, i) for i in range(count)]


# Runs whose tracking is between good and bad: nobody can say whether their stars are egg-shaped.
_DOUBTFUL_TRACKING = 0.1


def _guided(rng: np.random.Generator, base: Scene) -> Scene:
    """The run's own tracking residual: one axis of the mount is always a little worse, which
    stretches good stars by some per cent, all alike."""
    stretch, strength = 1 + min(0.12, abs(float(rng.normal(0.05, 0.05)))), dict(base.strength)
    if rng.random() < _DOUBTFUL_TRACKING:
        stretch = float(rng.uniform(1.12, 1.25))
        strength |= {"drift": float("nan"), "vibration": float("nan")}
    sigma_px = base.good_fwhm_px / 2.3548 * np.sqrt(stretch**2 - 1)
    path = tracking.residual(rng, float(sigma_px), float(rng.uniform(0, np.pi)))
    return replace(base, path=path, strength=strength)


# Share of fields with a star cluster, by kind.
_CLUSTERS = {"none": 0.86, "open": 0.08, "globular": 0.06}


def _with_stars(rng: np.random.Generator, base: Scene) -> Scene:
    """The field's stars, now and then with a cluster among them."""
    stars = catalogue.draw_list(rng, base)
    if rng.random() < 0.2:  # a bright star framed on purpose, or in the way
        flux_e = log_uniform(rng, 1e6, 3e8)
        stars = catalogue.with_bright_star(rng, stars, flux_e, base.width_px, base.height_px)
    kind = str(rng.choice(list(_CLUSTERS), p=list(_CLUSTERS.values())))
    if kind == "none":
        return replace(base, stars=stars)
    stars, glow = catalogue.with_cluster(rng, stars, base, kind)
    others = base.galaxies.galaxies if base.galaxies is not None else ()
    galaxies = starfield.Galaxies((*others, glow)) if glow is not None else base.galaxies
    return replace(base, stars=stars, galaxies=galaxies)


def _seen_through(rig: Rig, air: weather.Air) -> Rig:
    """The rig at its altitude: wider stars, another sky. Narrow bands see the same change."""
    seeing = rig.seeing_arcsec * airmass_factor(air.airmass)
    seeing = max(rig.seeing_arcsec, min(seeing, 7.0 * rig.scale_arcsec))  # what stamps can hold
    return replace(rig, seeing_arcsec=float(seeing), sky_mag=air.sky_mag)


def _sensor(rng: np.random.Generator, base: Scene, cfa: bool, is_live: bool) -> Scene:
    """The sensor's own marks, none of them a fault, and what was done to the file."""
    size = (base.width_px, base.height_px)
    base = replace(base, temperature_c=float(rng.uniform(-20, 25)))
    while base.dark_e > 0.3 * base.sky_e and base.temperature_c > -40:
        base = replace(base, temperature_c=base.temperature_c - 5)  # nobody leaves it that warm
    noise_e = base.noise_e
    kind = str(rng.choice(pictures.PICTURES)) if is_live else processing.draw_kind(rng, cfa)
    glow_e = base.sky_e * log_uniform(rng, 0.01, 0.4)
    has_glow = rng.random() < 0.08 and kind in ("raw", "shifted", "eight_bit", "interpolated")
    glow = sky.draw_amp_glow(rng, glow_e, *size) if has_glow else None
    strength = dict(base.strength)
    if has_glow and glow_e > 0.075 * base.sky_e:
        strength["gradient"] = float("nan")  # a glow from the edge, of the camera, not of the sky
    # Cameras that write 8 bits are made for live pictures: their lines differ more than others'.
    has_lines = rng.random(2) < ((0.35, 0.35) if kind in pictures.PICTURES else (0.08, 0.06))
    flat = base.vignetting if kind in ("flat_fielded", "sky_subtracted") else None
    if flat is not None:
        strength["vignetting"] = 0.0
    return replace(
        base,
        # A master dark takes most of them away again.
        hot_share=_hot_share(rng) * (0.1 if kind in processing.REDUCED else 1.0),
        # Most stand out by a few tens of sigma.
        hot_e=noise_e
        * (log_uniform(rng, 8, 80) if rng.random() < 0.67 else log_uniform(rng, 15, 300)),
        warm_share=log_uniform(rng, 1e-4, 3e-3) if rng.random() < 0.3 else 0.0,
        dead_share=log_uniform(rng, 1e-6, 2e-4) if rng.random() < 0.15 else 0.0,
        bad_columns=int(rng.choice([1, 1, 2])) if rng.random() < 0.1 else 0,
        row_noise_e=_banding_e(rng, base) if has_lines[0] else 0.0,
        column_noise_e=_banding_e(rng, base) if has_lines[1] else 0.0,
        smear_share=log_uniform(rng, 3e-4, 0.03) if rng.random() < 0.02 else 0.0,
        charge_tail=_charge_tail(rng, base.rig),
        spill_up=float(rng.choice([0.0, 0.5, 0.5, 1.0])),
        amp_glow=glow,
        edges=edges.draw_edges(rng, *size, base.sky_e),
        processing=kind,
        flat=flat,
        strength=strength,
    )


def _banding_e(rng: np.random.Generator, scene: Scene) -> float:
    """Sigma of what a row or column has in common: the electronics', so never far over the read
    noise however bright the sky is, and the same when a sub is cut short."""
    wanted_e = scene.noise_e * log_uniform(rng, 0.02, 0.3)
    return min(wanted_e, 0.8 * scene.rig.camera.read_noise_e)


def _hot_share(rng: np.random.Generator) -> float:
    """Share of hot pixels of a sensor that nobody would complain about; one in ten has so many that
    it begins to be a fault."""
    kind = rng.random()
    if kind < 0.1:
        return log_uniform(rng, 2.5e-4, 4e-4)
    return log_uniform(rng, 1e-5, 2.3e-4) if kind < 0.6 else log_uniform(rng, 1e-7, 2e-4)


def _charge_tail(rng: np.random.Generator, rig: Rig) -> tuple[float, float, int]:
    """What an old sensor's pixels leave behind when their charge is moved: a faint tail on one side
    of every star, along the rows or the columns."""
    if rng.random() > (0.3 if rig.camera.blooms else 0.03):
        return (0.0, 10.0, 0)
    return (log_uniform(rng, 0.005, 0.05), log_uniform(rng, 4, 25), int(rng.integers(2)))


def _clean_sky(
    rng: np.random.Generator, rig: Rig, width_px: int, height_px: int, air: weather.Air
) -> dict[str, Any]:
    """Mild vignetting, the sky's own slope, now and then a nebula or galaxies: none a fault."""
    size = (width_px, height_px)
    has_nebula, has_galaxies = rng.random() < 0.28, rng.random() < 0.4
    # Thin sensors in red light show interference of the sky's own lines.
    kind = "fringes" if rig.wavelength_nm > 600 and rng.random() < 0.08 else None
    shade_pct = float(rng.uniform(1, 14)) if rng.random() < 0.6 else log_uniform(rng, 0.5, 13.0)
    # A file cut out of a larger frame shows a piece of its shade, dark to one side.
    is_cut = rng.random() < (0.5 if max(size) <= 512 else 0.08)
    whole = float(rng.uniform(1.5, 5.0)) if is_cut else 1.0
    wide = (round(whole * width_px), round(whole * height_px))
    shade = shading.draw_vignetting(rng, shade_pct, *wide)
    left, top = rng.uniform(0, wide[0] - width_px), rng.uniform(0, wide[1] - height_px)
    shade = replace(shade, x_px=float(shade.x_px - left), y_px=float(shade.y_px - top))
    if is_cut:
        shade_pct = shading.vignetting_pct(shade, *size)
    return {
        "vignetting": shade,
        "gradient": air.gradient,
        "nebula": starfield.draw_nebula(rng, *size, kind=kind) if has_nebula or kind else None,
        "galaxies": starfield.draw_galaxies(rng, *size) if has_galaxies else None,
        "strength": {"vignetting": shade_pct, "gradient": air.gradient_pct},
    }


def _in_turn(rng: np.random.Generator, base: Scene, course: Course, number: int) -> Scene:
    """The same field when its turn comes: shifted, through the air of that moment. Of stars which
    that air alone widens nobody is taught whether they are bloated."""
    is_wide = course.seeing_factor[number] >= fault("bloated_stars").clean_below
    return replace(
        base.with_unknown("bloated_stars") if is_wide else base,
        shift_px=(float(rng.uniform(-12, 12)), float(rng.uniform(-12, 12))),
        extinction_mag=float(course.extinction_mag[number]),
        seeing_factor=float(course.seeing_factor[number]),
        sky_mag=float(course.sky_mag[number]),
    )
