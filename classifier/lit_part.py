"""The part of a frame that its sensor lights, and frames filled up beyond it.

Overscan columns, rows under a mask and the empty border of a frame that was laid onto another are
no sky. A coarse sky that takes them for some sinks towards them, so that the corners of what is
lit stand out as stars do. Torch, batched, CPU and GPU; the measures find these strips by
themselves (`background.lit_area`), which is independent on purpose.
"""

import torch
from torch import Tensor

from classifier.sweeps import halved

# Lines of a frame that its profile is taken from, each two pixels wide: a mosaic's four colours.
LINES = 24
REACH = 0.08  # of a side, within which a strip ends
# Steps of the profile from a strip into the light: how often a usual one and a large one.
OVER_MIDDLE, OVER_LARGE = 12.0, 2.5
LARGE = 0.98  # of all steps are smaller
AT_ONCE = 0.6  # of the rise from strip to light happens in two steps
SHORTEST = 64  # half-size pixels of a side in which strips are looked for


def lit_part(pixels: Tensor, half: Tensor | None = None) -> Tensor:
    """(B, H, W) ADU -> (B, 4) long: x0, y0, x1, y1 in px, even, end excluded, without the strips
    at the frame's edges that no light reaches; the whole frame where there are none. half: means
    of 2 x 2 px (B, H // 2, W // 2), if at hand."""
    left, right = _lit_along(_profile(pixels, half, across=False))
    top, bottom = _lit_along(_profile(pixels, half, across=True))
    height, width = pixels.shape[1:]
    # The last odd row and column belong to what is before them.
    right = torch.where(right == width // 2, width, 2 * right)
    bottom = torch.where(bottom == height // 2, height, 2 * bottom)
    return torch.stack((2 * left, 2 * top, right, bottom), 1)


def filled(pixels: Tensor, lit: Tensor) -> Tensor:
    """(B, H, W) frames and their lit part (B, 4) -> the same with strips full of what lies beside
    them, mirrored; the frames themselves where all are lit throughout."""
    height, width = pixels.shape[1:]
    strips = [
        (number, part) for number, part in enumerate(lit.tolist()) if part != [0, 0, width, height]
    ]
    if not strips:
        return pixels
    pixels = pixels.clone()
    for number, (x0, y0, x1, y1) in strips:
        _mirror(pixels[number], x0, x1)
        _mirror(pixels[number].T, y0, y1)
    return pixels


def _mirror(picture: Tensor, first: int, end: int) -> None:
    """Fill columns before `first` and from `end` on, in place. About a pixel, which keeps the
    colours of a mosaic in their places."""
    beyond = picture.shape[1] - end
    picture[:, :first] = picture[:, first + 1 : 2 * first + 1].flip(1)
    picture[:, end:] = picture[:, end - 1 - beyond : end - 1].flip(1)


def _profile(pixels: Tensor, half: Tensor | None, across: bool) -> Tensor:
    """(B, H, W) -> (B, W // 2) medians of columns two pixels wide, or (B, H // 2) of rows."""
    size = pixels.shape[2 if across else 1] // 2
    lines = torch.arange(LINES, device=pixels.device) * size // LINES
    if half is None:  # only the lines that are looked at are binned
        pairs = (2 * lines[:, None] + torch.arange(2, device=pixels.device)).flatten()
        some = halved(pixels[:, :, pairs] if across else pixels[:, pairs])
    else:
        some = half[:, :, lines] if across else half[:, lines]
    return (some if across else some.mT).contiguous().median(2).values


def _lit_along(profile: Tensor) -> tuple[Tensor, Tensor]:
    """(B, n) -> (B,) first index and end of what lies between strips without light."""
    n = profile.shape[1]
    return _beginning(profile), n - _beginning(profile.flip(1))


def _beginning(profile: Tensor) -> Tensor:
    """(B, n) -> (B,) first index that is lit, 0 without a strip: behind the last step up into the
    light near the beginning. A strip ends at once; corners and horizons darken little by little."""
    frames, n = profile.shape
    nothing = torch.zeros(frames, dtype=torch.long, device=profile.device)
    if n < SHORTEST:
        return nothing
    reach = round(REACH * n)
    steps = profile[:, 1:] - profile[:, :-1]
    inside = steps[:, reach:-reach].abs().sort(1).values
    count = inside.shape[1]
    limit = torch.maximum(
        OVER_MIDDLE * inside[:, count // 2], OVER_LARGE * inside[:, int(LARGE * (count - 1))]
    ).clamp_min(1e-6)[:, None]
    number = torch.arange(1, reach + 1, device=profile.device)
    first = ((steps[:, :reach] > limit) * number).amax(1)
    # A pair of pixels may lie half in the light.
    rise = _at(profile, first) - _at(profile, (first - 2).clamp_min(0))
    place = torch.arange(n, device=profile.device)
    dark = place < first[:, None]
    unlit = (profile * dark).sum(1) / dark.sum(1).clamp_min(1)
    lit = (_at(profile, first + 1) + _at(profile, first + 2)) / 2
    return torch.where(rise > AT_ONCE * (lit - unlit), first, nothing)


def _at(profile: Tensor, place: Tensor) -> Tensor:
    return profile.gather(1, place[:, None])[:, 0]
