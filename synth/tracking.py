"""Where the telescope points during a sub: a path in time, which becomes a kernel.

A path is an array (K, 2) of x, y offsets in px at K equal time steps, mean zero. Second moments
follow closed forms: a uniform drift of length L adds L^2 / 12 along its line, a sine of amplitude
A adds A^2 / 2, a jump d for a share f of the time adds f (1 - f) d^2.
"""

import numpy as np
import torch
from torch import Tensor

STEPS = 128


def still() -> np.ndarray:
    return np.zeros((STEPS, 2))


def _centred(path: np.ndarray) -> np.ndarray:
    return path - path.mean(0)


def _along(amount: np.ndarray, angle_rad: float) -> np.ndarray:
    return np.stack((amount * np.cos(angle_rad), amount * np.sin(angle_rad)), 1)


def drift(rng: np.random.Generator, length_px: float, angle_rad: float) -> np.ndarray:
    """A steady line, now and then slightly curved, or one-sided pushes of the wind."""
    time = np.linspace(-0.5, 0.5, STEPS)
    kind = rng.choice(["line", "curve", "gusts"], p=[0.6, 0.2, 0.2])
    if kind == "gusts":
        # A half-normal push has standard deviation 0.603 sigma; a line of length L has L/sqrt 12.
        push = np.abs(rng.normal(size=STEPS)) / 0.603 * length_px / np.sqrt(12)
        return _centred(_along(push, angle_rad))
    path = _along(time * length_px, angle_rad)
    if kind == "curve":
        path += _along((time**2 - 1 / 12) * length_px * rng.uniform(-0.6, 0.6), angle_rad + 1.571)
    return _centred(path)


VIBRATION_KINDS = ("steady", "beat", "two_axes", "knocks")


def residual(rng: np.random.Generator, sigma_px: float, angle_rad: float) -> np.ndarray:
    """What good guiding leaves along one axis of the mount: a slow random walk about the star."""
    steps = np.convolve(rng.normal(size=STEPS + 15), np.hanning(18)[1:-1], "valid")
    steps -= steps.mean()
    return _along(steps * sigma_px / max(float(steps.std()), 1e-9), angle_rad)


def vibration(
    rng: np.random.Generator, amplitude_px: float, angle_rad: float, kind: str | None = None
) -> np.ndarray:
    """A motor, a fan, a step on the pier: sinusoids with the variance of one of that amplitude.

    "steady" or slowly damped along one axis with a little across, "beat" of two near pitches,
    "two_axes" of unlike pitch (loops and boxes), "knocks" that ring down in a still sub.
    """
    kind = kind or str(rng.choice(VIBRATION_KINDS, p=[0.5, 0.15, 0.15, 0.2]))
    # At even steps a pitch of a quarter of theirs would be four points and no line.
    time = (np.arange(STEPS) + rng.random(STEPS)) / STEPS
    cycles, phase, lag = rng.uniform(12, 40), *rng.uniform(0, 2 * np.pi, 2)
    ratio, across_cycles = rng.uniform(0, 0.35), cycles
    envelope = np.exp(-time * rng.choice([0.0, rng.uniform(0.5, 3.0)], p=[0.7, 0.3]))
    if kind == "beat":
        envelope = 1 + rng.uniform(0.5, 1.0) * np.cos(2 * np.pi * rng.uniform(1, 6) * time + lag)
    elif kind == "two_axes":
        ratio, across_cycles = rng.uniform(0.25, 0.5), rng.uniform(12, 40)
    elif kind == "knocks":
        envelope = np.zeros(STEPS)
        for start in rng.uniform(0, 0.85, int(rng.integers(1, 5))):
            decay = rng.uniform(10, 40)
            envelope += np.where(time >= start, np.exp(-decay * (time - start)), 0.0)
    elif kind != "steady":
        raise ValueError(f"vibration {kind!r} is unknown; use one of {', '.join(VIBRATION_KINDS)}")
    main = envelope * np.sin(2 * np.pi * cycles * time + phase)
    side = ratio * envelope * np.sin(2 * np.pi * across_cycles * time + phase + lag)
    scale = amplitude_px / np.sqrt(2) / max(float(main.std()), 1e-9)
    return _centred(scale * (_along(main, angle_rad) + _along(side, angle_rad + np.pi / 2)))


def guiding_loss(rng: np.random.Generator, length_px: float, angle_rad: float) -> np.ndarray:
    """Dwells joined by slews along one mount axis and then the other; length of the whole path."""
    kind = rng.choice(["jump", "corner", "return", "hunt", "slew"], p=[0.25, 0.3, 0.15, 0.15, 0.15])
    first, second = rng.choice([-1, 1], 2)
    part = rng.uniform(0.3, 0.7)
    if kind == "jump":
        corners: list[tuple[float, float]] = [(0, 0), (length_px, 0)]
    elif kind == "corner":
        corners = [
            (0, 0),
            (part * length_px, 0),
            (part * length_px, second * (1 - part) * length_px),
        ]
    elif kind == "return":
        corners = [(0, 0), (length_px / 2, 0), (0, 0)]
    elif kind == "slew":
        corners = [(0, 0), (length_px, second * rng.uniform(0, 0.25) * length_px)]
    else:
        turns = int(rng.integers(3, 6))
        corners = [
            (0.5 * length_px * (i % 2) / (turns - 1) * 2, 0.1 * length_px * rng.normal())
            for i in range(turns)
        ]
    path = _walk(rng, np.asarray(corners, float), slow=kind == "slew")
    path[:, 0] *= first
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return _centred(path @ np.array([[cos, sin], [-sin, cos]]))


def _walk(rng: np.random.Generator, corners: np.ndarray, slow: bool) -> np.ndarray:
    """Time along corners: dwells of random length, slews short (or slow: most of the time)."""
    legs = len(corners) - 1
    slew = rng.uniform(0.5, 0.9) if slow else rng.uniform(0.03, 0.25)
    dwell_share = rng.dirichlet(np.full(len(corners), 2.0)) * (1 - slew)
    leg_share = np.full(legs, slew / legs)
    times, places = [0.0], [corners[0]]
    for i in range(len(corners)):
        times.append(times[-1] + dwell_share[i])
        places.append(corners[i])
        if i < legs:
            times.append(times[-1] + leg_share[i])
            places.append(corners[i + 1])
    now = (np.arange(STEPS) + 0.5) / STEPS * times[-1]
    stacked = np.asarray(places)
    path = np.stack([np.interp(now, times, stacked[:, axis]) for axis in (0, 1)], 1)
    if not slow and rng.random() < 0.3:
        path += _ringing(rng, now, np.asarray(times[2::2]), corners)
    return path


def _ringing(
    rng: np.random.Generator, now: np.ndarray, ends: np.ndarray, corners: np.ndarray
) -> np.ndarray:
    """What a mount that stops too fast does after each leg: it overshoots and rings down."""
    swing = np.zeros((len(now), 2))
    pitch, decay, depth = rng.uniform(8, 20), rng.uniform(8, 25), rng.uniform(0.05, 0.25)
    for leg, end in zip(np.diff(corners, axis=0), ends, strict=True):
        since = np.clip(now - end, 0, None)
        wave = np.where(now > end, np.exp(-decay * since) * np.sin(2 * np.pi * pitch * since), 0)
        swing += depth * leg * wave[:, None]
    return swing


def path_length_px(path: np.ndarray) -> float:
    """Length of the way from dwell to dwell, px: that of the means over sixteenths of the sub.

    The quick swings of a mount that rings down would make it three times as long and draw the star
    out hardly further.
    """
    places = np.stack([part.mean(0) for part in np.array_split(path, 16)])
    return float(np.hypot(*np.diff(places, axis=0).T).sum())


def path_otf(paths: Tensor, fx: Tensor, fy: Tensor) -> Tensor:
    """Transfer function of paths (..., K, 2) px at frequencies fx (n,), fy (m,) in cycles/px.

    Returns complex (..., m, n): the mean over time of exp(-2 pi i (fx x + fy y)).
    """
    x, y = paths[..., 0], paths[..., 1]
    in_x = torch.polar(
        torch.ones_like(x)[..., None] / x.shape[-1], -2 * torch.pi * x[..., None] * fx
    )
    in_y = torch.polar(torch.ones_like(y)[..., None], -2 * torch.pi * y[..., None] * fy)
    return in_y.transpose(-1, -2) @ in_x
