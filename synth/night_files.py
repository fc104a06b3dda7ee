"""The work behind `nightcull render --night`: a night's subs as FITS, and the truth about it.

Beside the subs lie `truth.csv` (per sub, as for all rendered frames) and `truth.json`: the true
causes with their numbers, site, target, rig, and for every sub where everything stood. Headers
hold time, site, pointing, temperature and pier side in keywords of the FITS standard (OBSGEO,
RADESYS, celestial coordinates) and of common practice.
"""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier import __version__
from classifier.vocabulary import FAULTS
from synth.files import Card, write_sub, write_truth
from synth.generate import render_scenes
from synth.night import Night, Sub, draw_night
from synth.origin import night_cards
from synth.photometry import moon_lit_share

NIGHT_TRUTH_NAME = "truth.json"
Progress = Callable[[int, int, str], None]


def render_night(
    out: Path,
    count: int,
    causes: Sequence[str] = ("random",),
    width_px: int = 1536,
    height_px: int = 1024,
    cfa: bool | None = None,
    seed: int = 1,
    device: str = "cpu",
    progress: Progress = lambda *_: None,
) -> list[Path]:
    """Render a night of `count` subs into the new or empty folder `out`; the subs in time order.

    `causes` as in `night.draw_night`. Equal arguments give equal files on the same device and
    torch version.
    """
    from synth.render import check_request

    check_request(out, count, None, width_px, height_px, device)
    night = draw_night(seed, causes, count, width_px, height_px, cfa)
    asked = night_cards(causes, cfa, count, device)
    out.mkdir(parents=True, exist_ok=True)
    paths, rows = [], []
    for i in range(count):
        path = out / f"night_{i + 1:04}.fits"
        row = _write(path, night, i, asked, device)
        write_truth(out, [row])
        paths.append(path)
        rows.append(row)
        progress(i + 1, count, path.name)
    truth = json.dumps(night_truth(night, rows), indent=1)
    (out / NIGHT_TRUTH_NAME).write_text(truth + "\n", encoding="utf-8")
    return paths


def write_night_sub(
    path: Path,
    causes: Sequence[str],
    seed: int,
    index: int,
    count: int,
    width_px: int,
    height_px: int,
    cfa: bool | None,
    device: str,
) -> None:
    """Write sub number `index` of a night by itself: the same file as in the whole night."""
    night = draw_night(seed, causes, count, width_px, height_px, cfa)
    _write(path, night, index, night_cards(causes, cfa, count, device), device)


def _write(path: Path, night: Night, i: int, asked: list[Card], device: str) -> dict[str, Any]:
    sub = night.subs[i]
    batch = render_scenes([sub.scene], night.seed, i, device)
    return write_sub(
        path,
        batch,
        0,
        seed=night.seed,
        index=i,
        target=night.session.target,
        time_utc=sub.moment.begin,
        more=[*_cards(night, sub), *asked],
    )


def _cards(night: Night, sub: Sub) -> list[Card]:
    """What mount, focuser and weather sensor report, and the place on the sky."""
    session, moment = night.session, sub.moment
    site = session.site
    x_m, y_m, z_m = geocentric_m(site.latitude_deg, site.longitude_deg, site.height_m)
    cards: list[Card] = [
        ("OBSGEO-X", round(x_m, 1), "[m] site, geocentric"),
        ("OBSGEO-Y", round(y_m, 1), "[m]"),
        ("OBSGEO-Z", round(z_m, 1), "[m]"),
        ("SITELAT", round(site.latitude_deg, 5), "[deg] latitude, north positive"),
        ("SITELONG", round(site.longitude_deg, 5), "[deg] longitude, east positive"),
        ("SITEELEV", round(site.height_m, 0), "[m] height"),
        ("RADESYS", "ICRS", ""),
        ("RA", round(session.ra_deg, 6), "[deg] target"),
        ("DEC", round(session.dec_deg, 6), "[deg] target"),
        ("OBJCTALT", round(moment.altitude_deg, 4), "[deg] altitude at mid-exposure"),
        ("OBJCTAZ", round(moment.azimuth_deg, 4), "[deg] azimuth, north through east"),
        ("HA", round(moment.hour_angle_deg / 15.0, 5), "[h] hour angle"),
        ("AIRMASS", round(moment.airmass, 4), "at mid-exposure"),
        ("AMBTEMP", round(sub.ambient_c, 1), "[deg C] air"),
    ]
    if moment.pier:
        cards.append(("PIERSIDE", moment.pier.upper(), "side of the pier the tube is on"))
    return [*cards, *_sky_cards(night, sub)]


def _sky_cards(night: Night, sub: Sub) -> list[Card]:
    """Celestial coordinates, tangent plane (FITS standard, section 8)."""
    (a, b), (c, d) = sub.pose.cd_deg
    return [
        ("CTYPE1", "RA---TAN", ""),
        ("CTYPE2", "DEC--TAN", ""),
        ("CUNIT1", "deg", ""),
        ("CUNIT2", "deg", ""),
        ("CRVAL1", round(night.session.ra_deg, 6), ""),
        ("CRVAL2", round(night.session.dec_deg, 6), ""),
        ("CRPIX1", round(sub.pose.crpix[0], 3), ""),
        ("CRPIX2", round(sub.pose.crpix[1], 3), ""),
        ("CD1_1", a, ""),
        ("CD1_2", b, ""),
        ("CD2_1", c, ""),
        ("CD2_2", d, ""),
    ]


def geocentric_m(latitude_deg: float, longitude_deg: float, height_m: float) -> NDArray[np.float64]:
    """Geocentric x, y, z in m of a geodetic place on the WGS 84 ellipsoid, (3,)."""
    semi_major, e2 = 6_378_137.0, 6.694379990141e-3
    lat, lon = np.deg2rad(latitude_deg), np.deg2rad(longitude_deg)
    normal = semi_major / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    return np.array(
        [
            (normal + height_m) * np.cos(lat) * np.cos(lon),
            (normal + height_m) * np.cos(lat) * np.sin(lon),
            (normal * (1 - e2) + height_m) * np.sin(lat),
        ]
    )


def night_truth(night: Night, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Everything that is true of a night; `rows` are its rows of truth.csv."""
    session, rig = night.session, night.subs[0].scene.rig
    first = night.subs[0].scene
    return {
        "schema": "nightcull/night-truth-1",
        "made_with": __version__,
        "seed": night.seed,
        "causes": [{"name": c.name, "numbers": _plain(c.numbers)} for c in night.causes],
        "site": _plain(vars(session.site)),
        "target": {
            "name": session.target,
            "ra_deg": session.ra_deg,
            "dec_deg": session.dec_deg,
        },
        "rig": {
            "aperture_mm": rig.telescope.aperture_mm,
            "focal_mm": rig.telescope.focal_mm,
            "scale_arcsec": rig.scale_arcsec,
            "filter": rig.filter,
            "exposure_s": first.exposure_s,
            "camera_angle_deg": night.camera_deg,
            "good_fwhm_px_at_zenith": _zenith_fwhm_px(first, night.subs[0]),
        },
        "first_sub_after_flip": session.flip,
        "subs": [_sub_truth(night, i, row) for i, row in enumerate(rows)],
    }


def _zenith_fwhm_px(scene: Any, sub: Sub) -> float:
    rig = scene.rig
    seeing = rig.seeing_arcsec / sub.moment.airmass**0.6
    blur = np.hypot(seeing, 2.355 * rig.tracking_rms_arcsec)
    return round(float(np.hypot(blur / rig.scale_arcsec, 0.7)), 4)


def _sub_truth(night: Night, i: int, row: dict[str, Any]) -> dict[str, Any]:
    sub, scene = night.subs[i], night.subs[i].scene
    moment = sub.moment
    clouds = scene.clouds.mean_mag if scene.clouds is not None else 0.0
    strengths = {f.key: float(row[f.key]) for f in FAULTS if row[f.key] != ""}
    return {
        "file": row["file"],
        "labels": row["labels"].split(),
        "unsure": row["unsure"].split(),
        "strength": strengths,
        "begin": moment.begin.isoformat(),
    } | _plain(
        {
            "altitude_deg": moment.altitude_deg,
            "airmass": moment.airmass,
            "hour_angle_deg": moment.hour_angle_deg,
            "moon_altitude_deg": moment.moon_altitude_deg,
            "moon_separation_deg": moment.moon_separation_deg,
            "moon_lit_share": moon_lit_share(moment.moon_phase_deg),
            "sun_altitude_deg": moment.sun_altitude_deg,
            "ambient_c": sub.ambient_c,
            "focus_error_um": sub.focus_um,
            "sky_mag": scene.sky_mag,
            "cloud_mag": clouds,
            "gradient_pct": scene.strength.get("gradient", 0.0),
            "seeing_ratio": scene.seeing_factor,
            "halo_share": scene.halo_share,
            "field_turn_deg": sub.pose.turn_deg + 180.0 * sub.pose.flipped,
            "dither_x_px": sub.pose.shift_px[0],
            "dither_y_px": sub.pose.shift_px[1],
        }
    )


def _plain(numbers: dict[str, float]) -> dict[str, float]:
    """Six digits say all that is known; numpy's floats become plain ones."""
    return {key: float(f"{value:.6g}") for key, value in numbers.items()}
