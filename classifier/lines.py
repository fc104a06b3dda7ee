"""Straight lines in a picture: the fast discrete Radon transform, batched, on CPU or GPU.

Sums along all pixel-wide lines of a picture are built by joining strips of doubling height
(Brady 1998, SIAM J. Comput. 27, 107; used for streaks by Nir, Zackay & Ofek 2018, AJ 156, 229;
both from memory). N rows cost N W log2(N) additions for N slopes, and the half-way stages hold
the sums over shorter strips, so that a trail which ends inside the frame is found too.

The picture must be star-suppressed, flattened and in units of its own noise; `prepare` does it.
Exactly vertical and horizontal lines are left out: those are bad columns and blooming.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.kept_table import kept
from classifier.sweeps import middle, running_sum

# Rows and columns along the edges in which no line is looked for.
RIM = 4
# Strips of the whole height, a half and a quarter of it, ...: long trails and short ones.
STAGES = 3
# The local mean that `prepare` takes off: of so many cells round each. A trail of 3 cells keeps
# three quarters of its light, and what nebulae and crowds leave goes. With the wide one 3 % more
# trails are missed and three times as many frames without one are marked; networks that do not
# look along the lines have learnt with it.
LOCAL_CELLS, WIDE_CELLS = 11, 31


@dataclass(frozen=True)
class LineSearch:
    """Best line of each picture of a batch.

    snr: (B, stages) best signal-to-noise over the full height, half and quarter strips.
    ends: (B, stages, 4) its end points x0, y0, x1, y1 in picture pixels.
    by_way: (B, 4, stages, 4) ends of the best lines of each eighth of a turn.
    """

    snr: Tensor
    ends: Tensor
    by_way: Tensor


def prepare(picture: Tensor, clip_sigma: float = 3.0, width: int = WIDE_CELLS) -> Tensor:
    """(B, h, w) picture -> high-passed, clipped, in units of its noise.

    Clipping takes the stars out: a star is a few strong pixels, a trail many weak ones. Whatever
    holds for most of a row or column (overscan, banding, bad columns) is taken out with it. The
    local mean holds a part of the trail itself: narrower than `width` it would take more of it.
    What lies in the rim is no sky: the mean is taken without it, or a dark row would lend its
    neighbours a line of light.
    """
    flat = flattened(picture, width, RIM)
    noise = middle(flat.flatten(1).abs()).clamp_min(1e-12) * 1.4826
    return settled(flat, noise, clip_sigma)


def flattened(picture: Tensor, width: int, rim: int) -> Tensor:
    """(B, h, w) less the mean of width x width cells, taken without a rim, and less the medians of
    its rows and columns."""
    high, wide = picture.shape[1:]
    inner = picture[:, None, rim : high - rim, rim : wide - rim]
    padded = F.pad(inner, (width // 2 + rim,) * 4, mode="reflect")[:, 0]
    smooth = running_sum(running_sum(padded, width, 1), width, 2) / width**2
    flat = picture - smooth
    flat -= middle(flat.transpose(1, 2))[:, None]
    flat -= middle(flat)[..., None]
    return flat


def settled(flat: Tensor, noise: Tensor, clip_sigma: float) -> Tensor:
    """(B, h, w) in units of its noise (B,), clipped, about 0, and 0 at the rim; flat is used up."""
    clipped = flat.div_(noise[:, None, None]).clamp_(-clip_sigma, clip_sigma)
    clipped -= clipped.mean((1, 2), keepdim=True)
    # Rows and columns at the rim that are darker than the sky for a part of their length.
    for dim in (1, 2):
        clipped.narrow(dim, 0, RIM).zero_()
        clipped.narrow(dim, clipped.shape[dim] - RIM, RIM).zero_()
    return clipped


def inner_part(height: int, width: int) -> tuple[slice, slice]:
    """Rows and columns of a picture that are worth searching: a few more than a power of two would
    cost twice the time, and up to a 25th of the side is left out for it."""

    def part(side: int) -> slice:
        whole = 1 << (side.bit_length() - 1)
        spare = side - whole if side <= 1.04 * whole else 0
        return slice(spare // 2, side - (spare - spare // 2))

    return part(height), part(width)


def line_search(picture: Tensor, stages: int = STAGES) -> LineSearch:
    """Best lines of prepared pictures, (B, h, w) float32 -> LineSearch."""
    _batch, height, width = picture.shape
    ways = []
    for transposed in (False, True):
        turned = _widened(picture.transpose(1, 2).contiguous() if transposed else picture)
        for flipped in (False, True):
            snr, ends = _search_quadrant(turned.flip(2) if flipped else turned, stages)
            if flipped:
                ends[..., [0, 2]] = turned.shape[2] - 1 - ends[..., [0, 2]]
            if transposed:
                ends = ends[..., [1, 0, 3, 2]]
            ways.append((snr, _inside(ends, width, height)))
    by_way = torch.stack([ends for _, ends in ways], 1)
    best, which = torch.stack([snr for snr, _ in ways], 1).max(1)
    ends = by_way.gather(1, which[:, None, :, None].expand(-1, 1, -1, 4))[:, 0]
    return LineSearch(best, ends, by_way)


def _inside(ends: Tensor, width: int, height: int) -> Tensor:
    """The part of each line that lies in the picture, by cutting along the line itself: moving
    an end sideways onto the edge instead would turn the line."""
    start, step = ends[..., :2], ends[..., 2:] - ends[..., :2]
    limit = torch.tensor([width - 1.0, height - 1.0], device=ends.device)
    still = step.abs() < 1e-6
    safe = torch.where(still, torch.ones_like(step), step)
    enter = torch.where(
        still, torch.zeros_like(step), torch.minimum(-start / safe, (limit - start) / safe)
    )
    leave = torch.where(
        still, torch.ones_like(step), torch.maximum(-start / safe, (limit - start) / safe)
    )
    first = enter.amax(-1, keepdim=True).clamp(0.0, 1.0)
    last = leave.amin(-1, keepdim=True).clamp(0.0, 1.0)
    cut = torch.cat((start + first * step, start + last * step), -1)
    return torch.minimum(cut.clamp_min(0.0), limit.repeat(2))


def _search_quadrant(picture: Tensor, stages: int) -> tuple[Tensor, Tensor]:
    """Lines going down and to the right by 0 to 45 degrees; the picture is `_widened`."""
    _batch, height, width = picture.shape
    rows = 1 << (height - 1).bit_length()
    scales = _scales(height, width, rows, stages, picture.device)
    snrs, ends = [], []
    for scale, sums in zip(scales, _strips(picture, rows, stages), strict=True):
        # Over a line of n pixels white noise sums to sqrt(n); what is left of nebulae makes it
        # wider, which the robust spread over all long enough lines puts right.
        sample = sums.flatten(1).index_select(1, scale.sample) / scale.sample_root
        spread = 1.4826 * middle((sample - middle(sample)[:, None]).abs())
        value, place = _highest(sums / scale.root)
        snrs.append(value / spread.clamp_min(1.0))
        ends.append(_ends(place, sums.shape[1:], width))
    return torch.stack(snrs, 1), torch.stack(ends, 1)


def _widened(picture: Tensor) -> Tensor:
    """Weighted means 1 2 1 of neighbours in a row, white noise kept at 1: a line one pixel wide
    meets a third less of a trail that crosses from one column to the next."""
    padded = F.pad(picture, (1, 1))
    return (padded[..., :-2] + padded[..., 2:] + 2 * picture) / 6**0.5


def _highest(snr: Tensor) -> tuple[Tensor, Tensor]:
    """Highest value of each (strips, slopes, columns) of a batch and its flat index: by rows
    first, as a search for the value alone is far faster than one for its place."""
    table = snr.flatten(1, 2)
    value, row = table.amax(2).max(1)
    column = table[torch.arange(len(table), device=snr.device), row].argmax(1)
    return value, row * table.shape[2] + column


def _padded(picture: Tensor, rows: int) -> Tensor:
    """(B, height, width) -> (B, height or one more, 1, 2 + width): every row a strip."""
    height, width = picture.shape[1:]
    padded = _strip_sums(picture, height, 1, width, rows)
    padded[:, :height, 0, -width:] = picture
    padded[:, :height, 0, :-width].zero_()
    return padded


def _strip_sums(like: Tensor, strips: int, slopes: int, width: int, rows: int) -> Tensor:
    """Unfilled sums of `strips` strips of as many rows as slopes; where their number is odd, one
    of zeros is put behind them, to be joined with the last.

    Left of the picture are twice as many columns as a strip has rows, for lines that enter there.
    As many zeros as `_join` may read beyond the end lie behind the array.
    """
    even = strips if slopes == rows else strips + strips % 2
    columns = min(2 * slopes, rows) + width
    shape = len(like), even, slopes, columns
    size = len(like) * even * slopes * columns
    memory = like.new_empty(size + slopes + 1)
    memory[size:].zero_()
    sums = memory[:size].view(shape)
    if even > strips:
        sums[:, strips:].zero_()
    return sums


def _strips(picture: Tensor, rows: int, count: int = STAGES) -> list[Tensor]:
    """Sums of the `count` coarsest stages of a picture, strips of `rows` rows first: (B, strips,
    slopes, columns), the picture's own columns being the last."""
    sums, width = _padded(picture, rows), picture.shape[2]
    stages = [sums]
    while sums.shape[2] < rows:
        sums = _join(sums, width, rows)
        stages = [sums, *stages[: count - 1]]
    while len(stages) < count:
        stages.append(stages[-1])
    return stages


def _join(sums: Tensor, width: int, rows: int) -> Tensor:
    """Join neighbouring strips of height h into strips of height 2h with 2h slopes."""
    batch, strips, slopes, columns = sums.shape
    joined = _strip_sums(sums, strips // 2, 2 * slopes, width, rows)
    # Lines from farther left than the strips joined have columns for miss both of them.
    further = joined.shape[3] - columns
    joined[..., :further].zero_()
    stride = sums.stride()
    # Row d of the sheared view starts d columns further right; no copy is made for it. At its
    # end it runs into the first columns of the next row: lines so far left that they end before
    # they reach the picture, hence zeros, as those behind the array are.
    shape, steps = (
        (batch, strips // 2, slopes, columns),
        (stride[0], 2 * stride[1], stride[2] + 1, 1),
    )
    upper, start = sums[:, 0::2], sums.storage_offset() + stride[1]
    pairs = joined[:, : strips // 2].unflatten(2, (slopes, 2))
    for one_more in (0, 1):
        torch.add(
            upper,
            sums.as_strided(shape, steps, start + one_more),
            out=pairs[..., one_more, further:],
        )
    return joined


@dataclass(frozen=True)
class _Scale:
    """What the sums of one stage are divided by: root (strips, slopes, columns), the square root
    of the line's length, infinite where the line is too short or runs along a pixel column.
    sample: flat indices of some 8,000 lines that are long enough; sample_root: their roots."""

    root: Tensor
    sample: Tensor
    sample_root: Tensor


@kept(64)
def _scales(height: int, width: int, rows: int, stages: int, device: torch.device) -> list[_Scale]:
    """The scales of all stages; they depend on the picture's shape only."""
    ones = torch.ones(1, height, width, device=device)
    scales = []
    for stage, lengths in enumerate(_strips(ones, rows, stages)):
        length = lengths[0]
        usable = length >= (0.25 if stage == 0 else 0.7) * length.shape[1]
        root = length.clamp_min(1.0).sqrt()
        sample = usable.flatten().nonzero()[:, 0]
        sample = sample[:: max(1, len(sample) // 8000)]
        sample_root = root.flatten()[sample]
        root = torch.where(usable, root, torch.inf)
        root[:, :2] = torch.inf
        scales.append(_Scale(root, sample, sample_root))
    return scales


def _ends(place: Tensor, shape: torch.Size, width: int) -> Tensor:
    """Flat index of the best line -> (B, 4) end points; the picture's columns are the last."""
    _, height, columns = shape  # of strips; as many slopes as rows
    column = place % columns
    slope = (place // columns) % height
    strip = place // (columns * height)
    x0 = (column - (columns - width)).float()
    y0 = (strip * height).float()
    return torch.stack((x0, y0, x0 + slope, y0 + height - 1), 1)
