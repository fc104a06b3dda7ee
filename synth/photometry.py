"""From magnitudes to electrons through air, telescope and pixel; moonlight on the sky.

Formulas are published ones, each with its source. Magnitudes are AB unless said otherwise, sky
brightness is in mag per square arcsecond, angles in degrees.
"""

from math import acos, cos, degrees, exp, log, pi, radians, sin, sqrt

import numpy as np

# AB magnitude 0 is 3631 Jy (Oke & Gunn 1983, ApJ 266, 713); h in J s (exact since 2019).
_AB_ZERO_W_M2_HZ = 3631e-26
_PLANCK_J_S = 6.62607015e-34


def flux_ratio(magnitudes: float) -> float:
    """Brightness left after a loss of so many magnitudes: 100^(-m/5) (Pogson)."""
    return 10.0 ** (-0.4 * magnitudes)


def ab_photons(wavelength_nm: float, magnitude: float = 0.0) -> float:
    """Photons per second, cm2 and angstrom from a source of an AB magnitude.

    f_nu / (h lambda) per unit of wavelength; the 1e-14 turns per m2 and m to per cm2 and A.
    """
    per_m = _AB_ZERO_W_M2_HZ / (_PLANCK_J_S * wavelength_nm * 1e-9)
    return per_m * 1e-14 * flux_ratio(magnitude)


def star_e_s(
    magnitude: float,
    aperture_mm: float,
    efficiency: float,
    band_nm: float,
    wavelength_nm: float = 550.0,
    obstruction: float = 0.0,
) -> float:
    """Electrons per second from a star above the atmosphere.

    `efficiency` is quantum efficiency times throughput, `band_nm` the width of the filter.
    """
    area_cm2 = 0.25 * pi * (aperture_mm / 10.0) ** 2 * (1.0 - obstruction**2)
    return ab_photons(wavelength_nm, magnitude) * area_cm2 * band_nm * 10.0 * efficiency


def sky_e_s(star20_e_s: float, sky_mag: float, scale_arcsec: float) -> float:
    """Sky electrons per pixel and second where a star of 20 mag gives `star20_e_s`."""
    return star20_e_s * flux_ratio(sky_mag - 20.0) * scale_arcsec**2


def airmass_kasten_young(zenith_deg: float) -> float:
    """Relative airmass, zenith distance 0 to 90 (Kasten & Young 1989, Appl. Opt. 28, 4735).

    It gives 0.9997, not 1, at the zenith.
    """
    return 1.0 / (cos(radians(zenith_deg)) + 0.50572 * (96.07995 - zenith_deg) ** -1.6364)


def airmass_pickering(zenith_deg: float) -> float:
    """Relative airmass, zenith distance 0 to 90 (Pickering 2002, DIO 12:1, 20)."""
    altitude = 90.0 - zenith_deg
    return 1.0 / sin(radians(altitude + 244.0 / (165.0 + 47.0 * altitude**1.1)))


# Extinction at the zenith in mag per airmass by band, from an observatory's sky page (2,400 m).
EXTINCTION_MAG = {"U": 0.49, "B": 0.25, "V": 0.15, "R": 0.11, "I": 0.07}


def extinguished_mag(magnitude: float, k_mag: float, airmass: float) -> float:
    """Magnitude below the atmosphere: m + k X."""
    return magnitude + k_mag * airmass


def nanolambert(v_mag: float) -> float:
    """Surface brightness in nanolambert of V mag/arcsec2 (Garstang 1986, PASP 98, 364, eq. 19)."""
    return 34.08 * exp(20.7233 - 0.92104 * v_mag)


def v_mag_of(brightness_nl: float) -> float:
    """V mag/arcsec2 of a surface brightness in nanolambert, the inverse of `nanolambert`."""
    return (20.7233 - log(brightness_nl / 34.08)) / 0.92104


def moon_v_mag(phase_deg: float) -> float:
    """V magnitude of the Moon at a phase angle, 0 = full (Krisciunas & Schaefer 1991, eq. 9)."""
    return -12.73 + 0.026 * abs(phase_deg) + 4e-9 * phase_deg**4


def moon_lit_share(phase_deg: float) -> float:
    """Lit share of the Moon's disc at a phase angle, 1 = full."""
    return 0.5 * (1.0 + cos(radians(phase_deg)))


def scattering_airmass(zenith_deg: float) -> float:
    """Airmass of the scattering layer (Krisciunas & Schaefer 1991, eq. 3): 5 at the horizon."""
    return 1.0 / sqrt(1.0 - 0.96 * sin(radians(zenith_deg)) ** 2)


def dark_sky_nl(zenith_nl: float, zenith_deg: float, k_mag: float = 0.172) -> float:
    """Moonless sky at a zenith distance from its brightness overhead, nanolambert (Krisciunas &
    Schaefer 1991, eq. 2): a longer path glows more and dims its own light."""
    airmass = scattering_airmass(zenith_deg)
    return zenith_nl * 10.0 ** (-0.4 * k_mag * (airmass - 1.0)) * airmass


def twilight_mag(depression_deg: float) -> float:
    """V mag/arcsec2 of the twilit zenith, Sun 5 to 15 degrees below the horizon (Patat,
    Ugolnikov & Postylyakov 2006, A&A 455, 385: quadratic in depression; from memory)."""
    x = depression_deg - 5.0
    return 11.84 + 1.518 * x - 0.057 * x * x


def moonlight_nl(
    phase_deg: float,
    separation_deg: float,
    zenith_deg: float,
    moon_zenith_deg: float,
    k_mag: float = 0.172,
) -> float:
    """Sky brightness that moonlight adds, nanolambert, V (Krisciunas & Schaefer 1991, PASP 103,
    1033, eqs. 15 and 20, 21); 0 with the Moon below the horizon. Good to 8 to 23 %.

    The Moon's beam is dimmed through its own airmass, the line of sight gathers what is scattered
    along the other: swapping the two is a common slip and costs a magnitude.
    """
    if moon_zenith_deg >= 90.0:
        return 0.0
    moon = flux_ratio(moon_v_mag(phase_deg) + 16.57)  # eq. 8
    rayleigh = 10.0**5.36 * (1.06 + cos(radians(separation_deg)) ** 2)
    if separation_deg < 10.0:
        mie = 6.2e7 / max(separation_deg, 0.25) ** 2  # 0.25: the edge of the Moon's own disc
    else:
        mie = 10.0 ** (6.15 - separation_deg / 40.0)
    beam = 10.0 ** (-0.4 * k_mag * scattering_airmass(moon_zenith_deg))
    scattered = 1.0 - 10.0 ** (-0.4 * k_mag * scattering_airmass(zenith_deg))
    return (rayleigh + mie) * moon * beam * scattered


def separation_deg(
    zenith_deg: float, azimuth_deg: float, moon_zenith_deg: float, moon_azimuth_deg: float
) -> float:
    """Angle on the sky between the line of sight and the Moon."""
    z, m = radians(zenith_deg), radians(moon_zenith_deg)
    turn = radians(azimuth_deg - moon_azimuth_deg)
    return degrees(acos(max(-1.0, min(1.0, cos(z) * cos(m) + sin(z) * sin(m) * cos(turn)))))


def moon_slope_pct_deg(
    dark_mag: float,
    phase_deg: float,
    separation_deg: float,
    zenith_deg: float,
    moon_zenith_deg: float,
    k_mag: float = 0.172,
) -> float:
    """Gradient of the moonlit sky towards the Moon, % of the sky per degree.

    Only the change with distance from the Moon; the line of sight's own airmass is held.
    """
    sky = [
        nanolambert(dark_mag)
        + moonlight_nl(phase_deg, separation_deg + step, zenith_deg, moon_zenith_deg, k_mag)
        for step in (-0.5, 0.5)
    ]
    return 100.0 * (sky[0] - sky[1]) / (0.5 * (sky[0] + sky[1]))


# Zenith sky at a dark mountain site, new to full Moon (the same sky page), mag/arcsec2 of Vega.
DARK_SITE_SKY_MAG = {
    "U": (22.5, 22.3, 21.4, 20.4, 19.3),
    "B": (22.8, 22.5, 21.4, 20.3, 19.1),
    "V": (21.8, 21.6, 20.7, 19.6, 18.5),
    "R": (20.9, 20.8, 20.2, 19.2, 18.2),
    "I": (19.7, 19.6, 19.1, 18.2, 17.3),
}
# Vega in AB magnitudes (Blanton & Roweis 2007, AJ 133, 734; from memory).
VEGA_AB_MAG = {"U": 0.79, "B": -0.09, "V": 0.02, "R": 0.21, "I": 0.45}


def sky_colour_mag(band: str, v_mag: float) -> float:
    """AB mag/arcsec2 of the sky in a band, U to I, less that in V, where V has `v_mag`.

    Airglow makes a dark sky red, moonlight turns it bluer; skies brighter or darker than those of
    the table are taken to have the colour of its ends.
    """
    if band not in DARK_SITE_SKY_MAG:
        raise ValueError(f"sky band {band!r} is unknown; use one of {', '.join(DARK_SITE_SKY_MAG)}")
    here, visual = np.array(DARK_SITE_SKY_MAG[band]), np.array(DARK_SITE_SKY_MAG["V"])
    colour = here + VEGA_AB_MAG[band] - visual - VEGA_AB_MAG["V"]
    return float(np.interp(v_mag, visual[::-1], colour[::-1]))
