"""What is the same in every sub of a run, laid out over the sensor: optics, tilt, turning, dust.

    field = field_of(line)
    field["tilt"], field["radial"], field["skew"]

The stars of all subs are laid over one another in the sensor's frame: one sub shows fifty of
them, a run a thousand. Numbers are shares or ratios without unit unless named.
"""

import math

import numpy as np

from classifier.night_line import NightLine

Array = np.ndarray

LEAST_STARS, LEAST_SHAPES = 40, 5  # of the run, of a sub
EVERY_SUB = 0.25  # quantile of what the optics do to every sub and motion does to some


def field_of(line: NightLine) -> dict[str, float]:
    """Numbers of the run's common field; absent where there are too few stars.

    tilt: how much wider (in square, over the middle's) stars grow towards two opposite edges
    than across; lean: the same from one edge to the other; bowl: growth in all directions alike.
    across, across_sigma: tilt and lean along one and the same axis together.
    radial: stretch along the line to the middle, at the corners (negative: round the middle).
    coma_sigma: how surely both, bowl and radial, are above 0.
    fan: stretch that changes linearly over the field, at the corners. Each with `_sigma`.
    skew, skew_steady: mean lopsidedness of the middle's stars, and its length over that of the
    single subs (1: always the same direction). decentred: light of the middle's mean star that has
    no like on the star's other side, as three quarters of the subs show it at least.
    """
    numbers = _skew(line)
    stars = _stars(line)
    if stars is None:
        return numbers
    z, width, q = stars
    x, y = z.real, z.imag
    r2 = np.abs(z) ** 2
    one = np.ones_like(x)
    fit, error = _fit([one, x, y, r2 - r2.mean(), x**2 - y**2, 2 * x * y], width)
    numbers["lean"] = math.hypot(fit[1], fit[2])
    numbers["lean_sigma"] = numbers["lean"] / max(math.hypot(error[1], error[2]), 1e-9)
    numbers["lean_deg"] = math.degrees(math.atan2(fit[2], fit[1]))
    numbers["bowl"], numbers["bowl_sigma"] = fit[3], fit[3] / max(error[3], 1e-9)
    numbers["tilt"] = math.hypot(fit[4], fit[5])
    numbers["tilt_sigma"] = numbers["tilt"] / max(math.hypot(error[4], error[5]), 1e-9)
    numbers["tilt_deg"] = math.degrees(0.5 * math.atan2(fit[5], fit[4])) % 180
    numbers |= _along_one_axis(numbers)
    # Along the line to the middle: the real part of q / z^2, weighted by z^4.
    along = (q * (z**2).conj()).real
    top, below = along.sum(), (r2**2).sum()
    numbers["radial"] = float(top / below)
    rest = (q - numbers["radial"] * z**2) * z.conj() ** 2
    numbers["radial_sigma"] = numbers["radial"] / max(
        float(np.sqrt((rest.real**2).sum()) / below), 1e-9
    )
    # Coma of the field widens stars outward and draws them out to the middle: both speak for it.
    both = (numbers["bowl_sigma"], numbers["radial_sigma"])
    numbers["coma_sigma"] = math.hypot(*(max(each, 0.0) for each in both))
    real, e_real = _fit([one, x, y], q.real)
    imag, e_imag = _fit([one, x, y], q.imag)
    numbers["fan"] = math.sqrt(real[1] ** 2 + real[2] ** 2 + imag[1] ** 2 + imag[2] ** 2)
    spread = math.sqrt(e_real[1] ** 2 + e_real[2] ** 2 + e_imag[1] ** 2 + e_imag[2] ** 2)
    numbers["fan_sigma"] = numbers["fan"] / max(spread, 1e-9)
    # A turning field stretches as a (z - p)^2: its linear part is analytic (no conjugate of z).
    analytic = complex(real[1] + imag[2], imag[1] - real[2]) / 2
    other = complex(real[1] - imag[2], imag[1] + real[2]) / 2
    numbers["fan_analytic"] = (abs(analytic) - abs(other)) / max(abs(analytic) + abs(other), 1e-9)
    return numbers


def _along_one_axis(numbers: dict[str, float]) -> dict[str, float]:
    """A tilted sensor is in focus along one line of the field, and stars grow as the square of the
    distance from it: a line in the middle leaves a tilt, one beside it a lean along the same axis
    too, c (u - u0)^2. The axis on which both stand out most counts."""
    axis = np.deg2rad(np.arange(0.0, 180.0, 2.0))
    tilt = numbers["tilt"] * np.cos(2 * (axis - math.radians(numbers["tilt_deg"])))
    lean = numbers["lean"] * np.cos(axis - math.radians(numbers["lean_deg"]))
    sigma = np.hypot(
        np.maximum(tilt, 0.0) * numbers["tilt_sigma"] / max(numbers["tilt"], 1e-9),
        lean * numbers["lean_sigma"] / max(numbers["lean"], 1e-9),
    )
    best = int(sigma.argmax())
    size = math.hypot(max(float(tilt[best]), 0.0), float(lean[best]))
    return {"across": size, "across_sigma": float(sigma[best])}


def _stars(line: NightLine) -> tuple[Array, Array, Array] | None:
    """Places z (1 in the corners), squared widths over the sub's median less 1, stretches q less
    the sub's median, of all subs together."""
    parts: list[tuple[Array, Array, Array]] = []
    for sub in line.subs:
        shapes = sub.measures.shapes
        if len(shapes) < LEAST_SHAPES:
            continue
        height, width = sub.size_px
        half = math.hypot(width, height) / 2
        x, y, _, fwhm, e1, e2 = shapes.astype(float).T
        z = ((x - (width - 1) / 2) + 1j * (y - (height - 1) / 2)) / half
        wide = fwhm**2 / np.median(fwhm**2) - 1
        e = e1 + 1j * e2
        q = e / np.maximum(1 - np.abs(e), 0.1)
        q = q - complex(np.median(q.real), np.median(q.imag))
        parts.append((z, wide, q))
    if not parts:
        return None
    z, wide, q = (np.concatenate(each) for each in zip(*parts, strict=True))
    good = np.abs(wide) < 4 * 1.4826 * np.median(np.abs(wide)) + 0.3
    good &= np.abs(q) < 4 * 1.4826 * np.median(np.abs(q)) + 0.1
    return (z[good], wide[good], q[good]) if good.sum() >= LEAST_STARS else None


def _fit(terms: list[Array], values: Array) -> tuple[Array, Array]:
    """Least squares, odd values held down (Huber weights, three rounds): coefficients, errors."""
    design = np.stack(terms, 1)
    weight = np.ones(len(values))
    fit = np.zeros(len(terms))
    for _ in range(3):
        root = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(design * root, values * root[:, 0], rcond=None)[0]
        rest = np.abs(values - design @ fit)
        scale = 1.5 * 1.4826 * max(float(np.median(rest)), 1e-9)
        weight = np.minimum(1.0, scale / np.maximum(rest, 1e-12))
    rest = values - design @ fit
    variance = float((weight * rest**2).sum() / max(weight.sum() - len(terms), 1.0))
    covariance = np.linalg.pinv(design.T @ (design * weight[:, None])) * variance
    return fit, np.sqrt(np.diag(covariance))


def _skew(line: NightLine) -> dict[str, float]:
    x, y = line.of["skew_x"], line.of["skew_y"]
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(line.of["asymmetry"])
    if good.sum() < 3:
        return {}
    asymmetry = line.of["asymmetry"][good]
    x, y = x[good], y[good]
    # A flip leaves the optics as they are, so vectors are averaged in the sensor's frame.
    mean = math.hypot(float(np.median(x)), float(np.median(y)))
    size = float(np.median(np.hypot(x, y)))
    return {
        "skew": mean,
        "skew_steady": min(1.0, mean / size) if size > 0 else 0.0,
        "decentred": float(np.quantile(asymmetry, EVERY_SUB)),
        "skew_deg": math.degrees(math.atan2(float(np.median(y)), float(np.median(x)))),
    }


def standing(line: NightLine, key: str, reach_px: float = 8.0) -> float:
    """Share of subs in which a disc (dust, ghost) stands where most subs have one, 0 to 1; of those
    before and of those after a meridian flip, whichever is less.

    Places count in the sensor's frame; dithering and flips move what belongs to the sky.
    """
    places = [
        np.array([w[:2] for w in sub.measures.evidence[key].where if len(w) >= 2]).reshape(-1, 2)
        for sub in line.subs
    ]
    every = np.concatenate(places)
    at = line.flip
    parts = (
        [slice(0, at), slice(at, None)] if at is not None and 0 < at < len(line) else [slice(None)]
    )
    best = 0.0
    for place in every[:: max(1, len(every) // 200)]:
        near = np.array(
            [bool(len(own) and np.hypot(*(own - place).T).min() <= reach_px) for own in places]
        )
        best = max(best, min(float(near[part].mean()) for part in parts))
    return best
