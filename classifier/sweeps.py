"""Sweeps over batches of pictures, written so that they are fast on a CPU and on a GPU.

A full frame has tens of millions of pixels: what a CPU's cache holds is worked on in one go, and
what concerns few pixels is done for these alone. Torch, batched.
"""

from functools import cache, lru_cache

import numpy as np
import torch
from torch import Tensor

from classifier.frame_overview import block_means

MOST_COUNTED = 1024  # values of a row: their number takes ten bits
BAND_ROWS = 72  # of the half-size picture: some 2 MB of a large frame and what is made of it

# Exchanges that bring the middle one of nine to the place 4 (Paeth 1990, from memory; a test tries
# all orders of nine).
MEDIAN_OF_9 = (
    *((1, 2), (4, 5), (7, 8), (0, 1), (3, 4), (6, 7), (1, 2), (4, 5), (7, 8), (0, 3)),
    *((5, 8), (4, 7), (3, 6), (1, 4), (2, 5), (4, 7), (4, 2), (6, 4), (4, 2)),
)


def halved(picture: Tensor, out: Tensor | None = None) -> Tensor:
    """(B, H, W) -> (B, H // 2, W // 2) means of 2 x 2; an odd last row or column is left out.

    The same as a 2 x 2 average pooling, in an eighth of the time on a CPU.
    """
    batch, height, width = picture.shape
    if out is None:
        out = room(picture, batch, height // 2, width // 2)
    if picture.device.type == "cpu":  # NumPy adds every other value faster than torch
        for one, into in zip(picture.numpy(), out.numpy(), strict=True):
            block_means(one, 2, into)
        return out
    pairs = picture[:, 0 : 2 * (height // 2) : 2] + picture[:, 1::2]
    return torch.add(pairs[..., 0 : 2 * (width // 2) : 2], pairs[..., 1::2], out=out).mul_(0.25)


@lru_cache(maxsize=64)
def constant(
    values: tuple[float, ...] | tuple[tuple[float, ...], ...],
    device: torch.device,
    dtype: torch.dtype = torch.float32,
) -> Tensor:
    """A few numbers on a device, sent there once; not to be changed in place."""
    return torch.tensor(values, device=device, dtype=dtype)


def room(like: Tensor, *shape: int) -> Tensor:
    """Unfilled memory of a tensor's kind; NumPy takes large pages for it, which a CPU fills in half
    the time."""
    if like.device.type == "cpu" and like.dtype == torch.float32:
        return torch.from_numpy(np.empty(shape, np.float32))
    return like.new_empty(shape)


def median_3x3(picture: np.ndarray) -> np.ndarray:
    """(h, w) -> the same with each value replaced by the median of the 3 x 3 round it; edges are
    mirrored. As SciPy's filter gives it, in a tenth of the time: exchanges of whole pictures."""
    wide = np.pad(picture, 1, mode="symmetric")
    height, width = picture.shape
    parts = [wide[y : y + height, x : x + width] for y in range(3) for x in range(3)]
    for low, high in MEDIAN_OF_9:
        parts[low], parts[high] = (
            np.minimum(parts[low], parts[high]),
            np.maximum(parts[low], parts[high]),
        )
    return parts[4]


def block_ranks(picture: np.ndarray, block: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(h, w), multiples of `block` -> lowest, lower median and highest of block x block.

    Values of one place in all blocks are kept as pictures and sorted by exchanges (Batcher 1968),
    of which only those are made that the three ranks need: half the time of sorting block by block.
    """
    parts = [picture[row::block, column::block] for row in range(block) for column in range(block)]
    count = block * block
    ranks = 0, (count - 1) // 2, count - 1
    for low, high, need_low, need_high in _exchanges(count, ranks):
        one, two = parts[low], parts[high]
        if need_low:
            parts[low] = np.minimum(one, two)
        if need_high:
            parts[high] = np.maximum(one, two)
    lowest, middle_one, highest = (np.ascontiguousarray(parts[rank]) for rank in ranks)
    return lowest, middle_one, highest


@cache
def _exchanges(count: int, ranks: tuple[int, ...]) -> list[tuple[int, int, bool, bool]]:
    """Batcher's odd-even merge exchanges for `count` values, those without effect on the ranks left
    out: places of the lower and the higher, and which of the two is still asked for."""
    pairs = []
    p = 1
    while p < count:
        k = p
        while k >= 1:
            for j in range(k % p, count - k, 2 * k):
                for i in range(min(k, count - j - k)):
                    if (i + j) // (2 * p) == (i + j + k) // (2 * p):
                        pairs.append((i + j, i + j + k))
            k //= 2
        p *= 2
    asked, kept = set(ranks), []
    for low, high in reversed(pairs):
        if low in asked or high in asked:
            kept.append((low, high, low in asked, high in asked))
            asked |= {low, high}
    return kept[::-1]


def running_max(picture: Tensor, width: int, dim: int) -> Tensor:
    """The maximum of the `width` (odd) neighbours round each value along a dimension, fewer at the
    ends. The same as a pooling with stride 1, in a twentieth of its time on a CPU: maxima of 2, 4,
    8, ... are put together."""
    length, half = picture.shape[dim], width // 2
    size = list(picture.shape)
    size[dim] = half
    ends = picture.new_full(size, -torch.inf)
    power, reach = torch.cat((ends, picture, ends), dim), 1
    while 2 * reach <= width:
        rest = power.shape[dim] - reach
        power = torch.maximum(power.narrow(dim, 0, rest), power.narrow(dim, reach, rest))
        reach *= 2
    return torch.maximum(power.narrow(dim, 0, length), power.narrow(dim, width - reach, length))


def running_sum(picture: Tensor, width: int, dim: int) -> Tensor:
    """Sums of `width` neighbours along a dimension, put together from sums of 1, 2, 4, ...; a
    tenth of the time of a pooling with stride 1 on a CPU."""
    length = picture.shape[dim] - width + 1
    power, size, done = picture, 1, 0
    total = torch.zeros_like(picture.narrow(dim, 0, length))
    while True:
        if width & size:
            total += power.narrow(dim, done, length)
            done += size
        if 2 * size > width:
            return total
        rest = power.shape[dim] - size
        power = power.narrow(dim, 0, rest) + power.narrow(dim, size, rest)
        size *= 2


def shrunk_maxima(picture: Tensor, size: tuple[int, int]) -> Tensor:
    """(..., H, W) -> (..., *size) maxima of even areas, as adaptive pooling takes them: neighbours
    may share a row or column. In a third of its time on a CPU."""
    for dim, count in ((-2, size[0]), (-1, size[1])):
        side = picture.shape[dim]
        place = torch.arange(count, device=picture.device)
        first, end = place * side // count, ((place + 1) * side + count - 1) // count
        highest = picture.index_select(dim, first)
        for step in range(1, -(-side // count) + 1):
            more = picture.index_select(dim, torch.minimum(first + step, end - 1))
            highest = torch.maximum(highest, more)
        picture = highest
    return picture


def bands(rows: int, device: torch.device, step: int = 1) -> list[tuple[int, int]]:
    """First and end row of bands that a CPU's cache holds, each of a multiple of `step` rows but
    the last; a GPU takes all rows at once."""
    size = rows if device.type != "cpu" else max(1, BAND_ROWS // step) * step
    return [(top, min(top + size, rows)) for top in range(0, rows, size)]


def asinh(values: Tensor) -> Tensor:
    """torch.asinh to an error of some 3e-7, in a sixth of its time on a CPU."""
    size = values.square().add_(1.0).sqrt_().add_(values.abs())
    return size.log_().copysign_(values)


def sample(picture: Tensor, size: int = 50_000) -> Tensor:
    """(B, ...) -> (B, n) some `size` values of each, evenly spread: medians need no more."""
    flat = picture.flatten(1)
    # An odd stride: an even one would keep to one place of a pattern of rows.
    return flat[:, :: max(1, flat.shape[1] // size) | 1]


def taken(values: Tensor, places: Tensor) -> Tensor:
    """Values at (n,) places along the last axis, none of them beyond its ends."""
    if values.device.type == "cpu":  # NumPy takes half of torch's time
        return torch.from_numpy(np.take(values.numpy(), places.numpy(), axis=-1, mode="clip"))
    return values.index_select(values.ndim - 1, places)


def middle(values: Tensor) -> Tensor:
    """Median along the last axis, the lower of two where their number is even."""
    return ranked(values, (values.shape[-1] + 1) // 2)


def ranked(values: Tensor, rank: int) -> Tensor:
    """The value of a rank, from 1, along the last axis; finite numbers only."""
    if values.device.type == "cpu":  # NumPy's selection takes half to a fifth of torch's time
        # Of values that do not lie side by side it would take ten times as long.
        side_by_side = np.ascontiguousarray(values.numpy())
        found = np.partition(side_by_side, rank - 1, axis=-1)[..., rank - 1]
        return torch.from_numpy(np.asarray(found))
    if torch.compiler.is_compiling() and values.shape[-1] < MOST_COUNTED:
        return ranked_by_bits(values, rank)
    return values.kthvalue(rank, dim=-1).values


def ranked_by_bits(values: Tensor, rank: int | Tensor) -> Tensor:
    """What `ranked` gives, for float32, fewer than MOST_COUNTED, and for a rank for each row, too;
    infinite numbers may be among them.

    Two bits of the answer at a time are told by counting what lies below: 16 looks at values that
    code put together by torch's compiler keeps at hand, in place of a sort.
    """
    bits = values.view(torch.int32)
    # As whole numbers, floats lie in their order once the negative ones are turned about.
    key = bits ^ ((bits >> 31) & 0x7FFFFFFF)
    found = torch.full_like(key[..., 0], -(2**31))
    for shift in range(30, -1, -2):
        one = found + (1 << shift)
        two = one + (1 << shift)
        three = two + (1 << shift)
        first, second, third = ((key < limit[..., None]).int() for limit in (one, two, three))
        # Three counts in one number.
        below = (first + (second << 10) + (third << 20)).sum(-1, dtype=torch.int32)
        for place, limit in ((0, one), (10, two), (20, three)):
            found = torch.where(((below >> place) & 1023) < rank, limit, found)
    return (found ^ ((found >> 31) & 0x7FFFFFFF)).view(torch.float32)


def lower_median(values: np.ndarray) -> np.ndarray:
    """`middle` of a NumPy array: an eighth of the time of NumPy's own median."""
    place = (values.shape[-1] - 1) // 2
    return np.partition(values, place, axis=-1)[..., place]


def median(values: np.ndarray) -> float:
    """NumPy's median of finite numbers, at least one, in a tenth of its time: that looks for both
    of the middle two and for NaN."""
    flat = values.ravel()
    place = (flat.size - 1) // 2
    ordered = np.partition(flat, place)
    if flat.size % 2:
        return float(ordered[place])
    return float((ordered[place] + ordered[place + 1 :].min()) / 2)


def medians(values: np.ndarray, axis: int = -1) -> np.ndarray:
    """NumPy's median of finite numbers along an axis, in half to a seventh of its time: whole rows
    are sorted faster than their middle is looked for across columns."""
    count = values.shape[axis]
    ordered = np.sort(np.moveaxis(values, axis, -1), axis=-1)
    return (ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2


def known_medians(values: np.ndarray, axis: int = -1) -> np.ndarray:
    """NumPy's nanmedian along an axis, without its warnings and in a tenth of its time: NaN are
    sorted to the end. NaN where nothing is known."""
    ordered = np.sort(np.moveaxis(values, axis, -1), axis=-1)
    whole = ordered.shape[-1]
    if not np.isnan(ordered[..., -1]).any():  # nothing is unknown
        return (ordered[..., (whole - 1) // 2] + ordered[..., whole // 2]) / 2
    count = whole - np.isnan(ordered).sum(-1, keepdims=True)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, whole - 1)
    middle_two = np.take_along_axis(ordered, np.concatenate((low, high), -1), -1)
    return (middle_two[..., 0] + middle_two[..., 1]) / 2


def places(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the true ones of (h, w), as NumPy's nonzero gives them, which takes ten
    times as long on a picture."""
    return np.divmod(np.flatnonzero(mask), mask.shape[1])


def spots(mask: Tensor) -> tuple[Tensor, Tensor]:
    """(B, h, w) bool -> frame and place (flat index in its frame) of the true ones, ascending."""
    index = true_places(mask)
    size = mask[0].numel()
    frame = torch.div(index, size, rounding_mode="floor")
    return frame, index - frame * size


def spots_over(picture: Tensor, limit: Tensor) -> tuple[Tensor, Tensor]:
    """`spots` where (B, h, w) is over limits (B,)."""
    limit = limit[:, None, None]
    if picture.device.type == "cpu":  # NumPy compares in less than half of torch's time
        return spots(torch.from_numpy(picture.numpy() > limit.numpy()))
    return spots(picture > limit)


def true_places(mask: Tensor) -> Tensor:
    """Flat indices of the true ones, ascending."""
    if mask.device.type == "cpu":  # NumPy's search is six times as fast as torch's
        return torch.from_numpy(np.flatnonzero(mask.numpy()))
    return mask.flatten().nonzero()[:, 0]
