"""One recipe per fault: a clean scene becomes one whose light is faulty by a wanted strength.

`draw_strength` draws log-uniformly from below the level at which the fault counts to far above
it. Where the strength in the finished light can differ from the wanted one (stars are soft in
many ways), the recipe leaves it out and `expose` measures it on the noiseless star.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from synth import (
    catalogue,
    reflection_draw,
    reflections,
    shading,
    sky,
    streaks,
    tracking,
    weather,
)
from synth.optics import COMA_X, COMA_Y, DEFOCUS, defocus_waves
from synth.passes import Sub
from synth.rng import log_uniform
from synth.scene import Bar, Scene

Recipe = Callable[[Scene, float, np.random.Generator], Scene]

# Range of strengths to draw; the part over 1 is drawn for ratios.
RANGES: dict[str, tuple[float, float]] = {
    "hot_pixels": (0.02, 2.0),
    "dust_motes": (1.0, 30.0),
    "vignetting": (10.0, 75.0),
    "clouds": (0.08, 3.0),
    "vibration": (1.12, 3.6),
    "drift": (1.08, 3.5),
    "defocus": (1.2, 7.0),
    "trail": (3.0, 400.0),
    "bloated_stars": (1.15, 3.0),
    "miscollimation": (1.08, 2.6),
    "diffraction_spikes": (1.2, 150.0),
    "gradient": (5.0, 150.0),
    "guiding_loss": (0.6, 10.0),
    "low_signal": (0.05, 5.0),
    "bayer_grid": (0.01, 0.45),
    "reflection": (1.2, 40.0),
}
RATIOS = ("vibration", "drift", "defocus", "bloated_stars", "miscollimation")
# Longest smear in px that the star stamps can hold.
LONGEST_PX = 32.0


def draw_strength(key: str, rng: np.random.Generator) -> float:
    low, high = RANGES[key]
    if key in RATIOS:
        return 1 + log_uniform(rng, low - 1, high - 1)
    return log_uniform(rng, low, high)


def hot_pixels(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    # Columns count from the third on, each with 3/8 of its length, for half of what is wanted at
    # the most; pixels make up the rest.
    column_pct = 100 * 0.375 / scene.width_px
    columns = scene.bad_columns
    if rng.random() < 0.3:
        columns = min(int(rng.integers(0, 6)), 2 + int(0.5 * strength / column_pct))
    by_pixels = max(strength - column_pct * max(0, columns - 2), 0.0)
    brightness = log_uniform(rng, 12, 100) if rng.random() < 0.6 else log_uniform(rng, 25, 400)
    return scene.with_(
        "hot_pixels",
        hot_share=by_pixels / 100 * 1.15,
        hot_e=scene.noise_e * brightness,
        bad_columns=columns,
    )


def dust_motes(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    hole = scene.rig.telescope.obstruction
    dust = shading.draw_dust(rng, strength, scene.width_px, scene.height_px, hole)
    return scene.with_("dust_motes", strength, dust=dust)


def vignetting(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    shade = shading.draw_vignetting(rng, strength, scene.width_px, scene.height_px)
    # The fault is a frame without its flat: what was to be divided out is not.
    return scene.with_("vignetting", strength, vignetting=shade, flat=None)


def clouds(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    size_px = scene.width_px, scene.height_px
    uneven = weather.cloud_unevenness(rng, scene.rig, *size_px, scene.exposure_s)
    veil = sky.draw_clouds(rng, strength, *size_px, strength * uneven)
    if rng.random() < 0.5:
        return scene.with_("clouds", clouds=veil)
    # Thin cloud and haze put an aureole round bright stars.
    halo_share = scene.halo_share + min(0.06, 0.05 * strength) * float(rng.uniform(0.3, 1.0))
    return scene.with_("clouds", clouds=veil, halo_share=halo_share)


def _smear_px(scene: Scene, elongation: float, moment: float) -> float:
    """Length whose square over `moment` lengthens a star of the scene to the elongation."""
    sigma = scene.good_fwhm_px / 2.3548
    return float(min(LONGEST_PX, np.sqrt(moment * (elongation**2 - 1)) * sigma))


def vibration(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    amplitude = min(LONGEST_PX / 2, _smear_px(scene, strength, 2.0))
    path = tracking.vibration(rng, amplitude, rng.uniform(0, np.pi))
    path = path * min(1.0, LONGEST_PX / 2 / float(np.abs(path).max()))
    return scene.with_("vibration", path=scene.path + path)


def drift(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    if rng.random() < 0.2:
        # Polar error: the field turns about the guide star, far stars draw longer arcs.
        centre = (float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.6, 0.6)))
        radius = 0.35 * np.hypot(scene.width_px, scene.height_px)
        twist = np.rad2deg(_smear_px(scene, strength, 12.0) / radius)
        return scene.with_("drift", twist_deg=float(twist), twist_centre=centre)
    path = tracking.drift(rng, _smear_px(scene, strength, 12.0), rng.uniform(0, np.pi))
    return scene.with_("drift", path=scene.path + path)


def _blur_px(scene: Scene, hfr_ratio: float) -> float:
    """Diameter of the disc of defocus that widens the half-flux radius by that ratio, within what
    stamps hold: half of an annulus' light is within D / 2 sqrt((1 + eps^2) / 2)."""
    half_light = 0.5 * scene.good_fwhm_px * np.sqrt(hfr_ratio**2 - 1)
    hole = scene.rig.telescope.obstruction
    return float(min(48.0, half_light * 2 / np.sqrt((1 + hole**2) / 2)))


def _defocus_waves(scene: Scene, strength: float) -> float:
    """Noll defocus that widens the half-flux radius by that ratio, within what stamps hold."""
    telescope, camera = scene.rig.telescope, scene.rig.camera
    blur_um = _blur_px(scene, strength) * camera.pixel_um * camera.binning
    # Beyond this the pupil's 128 samples would alias.
    blur_um = min(blur_um, 70 * telescope.focal_ratio * scene.rig.wavelength_nm / 550)
    return defocus_waves(blur_um, telescope.focal_ratio, scene.rig.wavelength_nm)


def defocus(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    waves = list(scene.waves)
    sign = rng.choice([-1, 1])
    waves[DEFOCUS] += sign * _defocus_waves(scene, strength)
    return scene.with_("defocus", waves=tuple(waves))


def trail(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    rig, size = scene.rig, (scene.width_px, scene.height_px)
    sub = Sub(scene.exposure_s, rig.scale_arcsec, rig.telescope.aperture_mm)
    drawn = streaks.draw_trails(
        rng, strength, *size, scene.good_fwhm_px, scene.noise_e, kind=None, sub=sub
    )
    return scene.with_("trail", strength, trails=tuple(drawn))


def bloated_stars(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    kind = rng.choice(["seeing", "dew", "both"], p=[0.6, 0.2, 0.2])
    if scene.good_halo_share > 0.12:
        kind = "seeing"  # behind a lens that veils, dew alone cannot be told
    factor, halo = scene.seeing_factor, scene.halo_share
    if kind != "dew":
        factor = factor * strength
    if kind != "seeing":
        halo = float(np.clip((strength - 1) / 0.4 * 0.15, 0.02, 0.6))
    width = scene.good_fwhm_px * rng.uniform(1.5, 5.0)
    return scene.with_("bloated_stars", seeing_factor=factor, halo_share=halo, halo_px=float(width))


def miscollimation(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    if strength > 1.3 and rng.random() < 0.25:
        focus_ratio = log_uniform(rng, 2.0, 4.0)
        hole_px = scene.rig.telescope.obstruction * _blur_px(scene, focus_ratio)
        if hole_px > 1.5 * scene.good_fwhm_px:  # else no hole is seen
            return _lopsided_donut(scene, focus_ratio, rng)
    wave_px = lambda_over_d_px(scene)
    # Half-flux radius of pure coma is about 8 lambda / D per wave rms (tried on the PSF).
    coma = scene.good_fwhm_px / 2 * np.sqrt(strength**2 - 1) / (8 * wave_px)
    coma = min(coma, LONGEST_PX / (51 * wave_px) * 1.3, 1.6)
    angle = rng.uniform(0, 2 * np.pi)
    waves = np.array(scene.waves)
    waves[COMA_X] += coma * np.cos(angle)
    waves[COMA_Y] += coma * np.sin(angle)
    waves[1:3] += rng.normal(0, 0.15 * coma, 2)
    waves[DEFOCUS] += rng.normal(0, 0.2 * coma)
    return scene.with_("miscollimation", waves=tuple(float(w) for w in waves))


def _lopsided_donut(scene: Scene, focus_ratio: float, rng: np.random.Generator) -> Scene:
    """Out of focus, the hole sits off the centre: 15 to 35 % of a diameter from the rim's.

    Rays at radius rho of the pupil land 2 W20 rho from the centre, coma shifts their ring by
    2 W31 rho^2: the hole moves W31 (1 - eps^2) / (2 W20) diameters against the rim. With
    W20 = 2 sqrt 3 a and W31 = 3 sqrt 8 c, c = 0.816 x share x a / (1 - eps^2).
    """
    focus = _defocus_waves(scene, focus_ratio) * float(rng.choice([-1, 1]))
    share = rng.uniform(0.15, 0.35)
    coma = 0.816 * share * abs(focus) / (1 - scene.rig.telescope.obstruction**2)
    angle = rng.uniform(0, 2 * np.pi)
    waves = np.array(scene.waves)
    waves[DEFOCUS] += focus
    waves[COMA_X] += coma * np.cos(angle)
    waves[COMA_Y] += coma * np.sin(angle)
    changed = replace(scene, waves=tuple(float(w) for w in waves))
    # It is out of focus too, and neither is wrong to name.
    return changed.with_("miscollimation", strength=None).with_unknown("defocus")


def diffraction_spikes(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    telescope = scene.rig.telescope
    bars = tuple(
        Bar(
            angle_deg=float(rng.uniform(0, 180)),
            width=min(0.12, log_uniform(rng, 1.0, 12.0) / telescope.aperture_mm),
            offset=float(rng.uniform(-0.3, 0.3)),
            half=bool(rng.random() < 0.5),
        )
        for _ in range(int(rng.choice([1, 1, 2])))
    )
    flux_e = _flux_for_spike(scene, bars, strength)
    size = (scene.width_px, scene.height_px)
    stars = catalogue.with_bright_star(rng, scene.stars, flux_e, *size)
    changed = replace(scene, bars=bars, stars=stars)
    return changed.with_("diffraction_spikes", spike_snr(changed, bars, stars.flux_e.max()))


def _spike_gain(scene: Scene, bars: tuple[Bar, ...]) -> float:
    """S/N of the strongest spike beyond 6 FWHM per electron of the star."""
    wave_px = lambda_over_d_px(scene)
    inner = 6 * scene.good_fwhm_px
    best = 0.0
    for bar in bars:
        share = 4 / np.pi * bar.width * (0.5 if bar.half else 1.0)
        reach = wave_px / bar.width  # first null along the spike, px
        beyond = 1 - 2 / np.pi * np.arctan(np.pi * inner / (2 * reach))
        length = min(reach, 100.0)
        width = 1.5 * scene.good_fwhm_px * (2.0 if bar.half else 1.0)
        best = max(best, share * beyond / (scene.noise_e * np.sqrt(2 * length * width)))
    # The star's own light adds noise and the spike thins outward: a twelfth, tried on the PSF.
    return best / 12


def spike_snr(scene: Scene, bars: tuple[Bar, ...], flux_e: float) -> float:
    return float(_spike_gain(scene, bars) * flux_e)


def _flux_for_spike(scene: Scene, bars: tuple[Bar, ...], strength: float) -> float:
    return float(min(5e8, strength / max(_spike_gain(scene, bars), 1e-12)))


def gradient(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    slope = sky.draw_gradient(rng, strength, scene.width_px, scene.height_px)
    return scene.with_("gradient", strength, gradient=slope)


def guiding_loss(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    length = min(1.3 * LONGEST_PX, strength * scene.good_fwhm_px)
    angle = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.15)
    if rng.random() < 0.3:
        angle = rng.uniform(0, np.pi)
    path = tracking.guiding_loss(rng, length, angle)
    reached = tracking.path_length_px(path) / scene.good_fwhm_px
    return scene.with_("guiding_loss", reached, path=scene.path + path)


def low_signal(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    wanted_e = strength * scene.rig.camera.read_noise_e**2
    shorter = max(0.01, scene.exposure_s * wanted_e / scene.sky_e)
    stars = catalogue.dimmed(scene.stars, shorter / scene.exposure_s)
    return scene.with_("low_signal", exposure_s=shorter, stars=stars)


def bayer_grid(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    cfa = scene.rig.camera.cfa
    if cfa is None:
        return scene
    if rng.random() < 0.65:  # a red line: green and blue see next to nothing
        weak = {"R": 1.0, "G": strength * rng.uniform(1, 2), "B": strength}
    else:  # a blue-green line: red sees next to nothing
        weak = {"R": strength, "G": rng.uniform(0.6, 1.0), "B": rng.uniform(0.5, 1.0)}
    top = max(weak.values())
    response = tuple(float(min(1.0, weak[name] / top)) for name in cfa)
    return scene.with_("bayer_grid", plane_response=response)


def reflection(scene: Scene, strength: float, rng: np.random.Generator) -> Scene:
    ghost = reflection_draw.draw_reflection(
        rng,
        strength,
        scene.width_px,
        scene.height_px,
        scene.stars.x_px + scene.shift_px[0],
        scene.stars.y_px + scene.shift_px[1],
        scene.stars.flux_e,
        scene.rig.telescope.obstruction,
    )
    telescope = scene.rig.telescope
    if telescope.vanes:
        width = 2 * telescope.vane_mm / telescope.aperture_mm
        turn = telescope.vane_angle_deg + 180 * int(rng.integers(2))
        ghost = reflections.through_pupil(ghost, telescope.vanes, turn, width)
    elif telescope.focal_mm < 500 and telescope.obstruction == 0 and rng.random() < 0.5:
        ghost = reflections.through_pupil(ghost, sides=int(rng.integers(5, 10)))
    stars = _bright_enough(scene, ghost, log_uniform(rng, 5e-4, 3e-2))
    return scene.with_("reflection", strength, reflection=ghost, stars=stars)


def _bright_enough(
    scene: Scene, ghost: reflections.Reflection, reflectance: float
) -> catalogue.StarList:
    """The stars, with the ghost's own as bright as a double bounce of `reflectance` asks for."""
    if ghost.source_px is None:
        return scene.stars
    first = ghost.ghosts[0]
    area_px = np.pi * first.outer_px**2 * (1 - first.hole**2)
    flux_e = min(5e8, first.brightness * scene.sky_e * area_px / reflectance)
    x, y = (ghost.source_px[i] - scene.shift_px[i] for i in (0, 1))
    return catalogue.brightened(scene.stars, x, y, flux_e)


def lambda_over_d_px(scene: Scene) -> float:
    rig = scene.rig
    arcsec = 206265 * rig.wavelength_nm * 1e-9 / (rig.telescope.aperture_mm * 1e-3)
    return float(arcsec / rig.scale_arcsec)


RECIPES: dict[str, Recipe] = {
    "hot_pixels": hot_pixels,
    "dust_motes": dust_motes,
    "vignetting": vignetting,
    "clouds": clouds,
    "vibration": vibration,
    "drift": drift,
    "defocus": defocus,
    "trail": trail,
    "bloated_stars": bloated_stars,
    "miscollimation": miscollimation,
    "diffraction_spikes": diffraction_spikes,
    "gradient": gradient,
    "guiding_loss": guiding_loss,
    "low_signal": low_signal,
    "bayer_grid": bayer_grid,
    "reflection": reflection,
}
