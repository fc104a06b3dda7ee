"""How long a sub should be, and how many of them: closed forms, nothing else.

Noise excess: how much noisier a stack of subs is than one exposure of the same total time read
once without noise. Sky and dark electrons E t per pixel of a sub of t seconds and read noise R give

    1 + excess = sqrt(1 + R^2 / (E t)),   so   t = R^2 / (E ((1 + excess)^2 - 1))

and a star of F electrons per second in N such subs, measured with its own Gaussian profile, has

    S/N = F t sqrt(N) / sqrt(F t + area (E t + R^2)),   area = 4 pi sigma^2

(the CCD equation, as in Howell 2006, Handbook of CCD Astronomy, 4.4, from memory, with the
noise-equivalent area of the profile as the number of pixels).
"""

import math

# Photons per s, cm^2 and Angstrom of a star of magnitude 0 near 5450 A: 3.63e-9 erg per s, cm^2
# and A (Bessell, Castelli & Plez 1998, A&A 333, 231, from memory) over h c / lambda.
PHOTONS_AT_ZERO = 996.0


def factor(excess: float) -> float:
    """Sky electrons a sub needs, in squared read noises, for this noise excess (0.05 is 5 %)."""
    return 1 / ((1 + excess) ** 2 - 1)


def sub_length_s(read_noise_e: float, rate_e_per_s: float, excess: float) -> float:
    """Length at which read noise adds `excess`; infinity where there is no sky at all."""
    if rate_e_per_s <= 0:
        return math.inf
    return factor(excess) * read_noise_e**2 / rate_e_per_s


def noise_excess(read_noise_e: float, rate_e_per_s: float, seconds: float) -> float:
    """Excess of subs of this length; infinity without any sky."""
    electrons = rate_e_per_s * seconds
    return math.sqrt(1 + read_noise_e**2 / electrons) - 1 if electrons > 0 else math.inf


def read_noise_share(read_noise_e: float, rate_e_per_s: float, seconds: float) -> float:
    """Share of read noise in the variance of a pixel of empty sky, 0 to 1."""
    electrons = max(0.0, rate_e_per_s * seconds)
    return read_noise_e**2 / (read_noise_e**2 + electrons)


def star_area_px(fwhm_px: float) -> float:
    """Noise-equivalent area of a Gaussian star, 4 pi sigma^2."""
    return math.pi * fwhm_px**2 / (2 * math.log(2))


def star_snr(
    star_e_per_s: float,
    rate_e_per_s: float,
    read_noise_e: float,
    area_px: float,
    seconds: float,
    subs: float = 1.0,
) -> float:
    """Signal-to-noise of a star in so many subs."""
    star = star_e_per_s * seconds
    noise = star + area_px * (rate_e_per_s * seconds + read_noise_e**2)
    return star * math.sqrt(subs / noise)


def subs_for(
    snr: float,
    star_e_per_s: float,
    rate_e_per_s: float,
    read_noise_e: float,
    area_px: float,
    seconds: float,
) -> float:
    """Number of subs (a fraction, not rounded) that give a star this signal-to-noise."""
    one = star_snr(star_e_per_s, rate_e_per_s, read_noise_e, area_px, seconds)
    return (snr / one) ** 2


def faintest_e_per_s(
    snr: float,
    rate_e_per_s: float,
    read_noise_e: float,
    area_px: float,
    seconds: float,
    subs: float = 1.0,
) -> float:
    """Light of the star that has this signal-to-noise in so many subs: the root of
    (F t)^2 N = snr^2 (F t + area (E t + R^2))."""
    share = snr**2 / subs
    ground = area_px * (rate_e_per_s * seconds + read_noise_e**2)
    return (share + math.sqrt(share**2 + 4 * share * ground)) / (2 * seconds)


def zero_point_mag(aperture_mm: float, band_nm: float, throughput: float) -> float:
    """Magnitude of a star that gives one electron per second, for a band near 550 nm.

    throughput: share of the light on the aperture that becomes electrons, air, optics and sensor
    together.
    """
    area_cm2 = math.pi * (aperture_mm / 20) ** 2
    return 2.5 * math.log10(PHOTONS_AT_ZERO * area_cm2 * 10 * band_nm * throughput)
