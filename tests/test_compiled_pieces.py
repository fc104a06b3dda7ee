"""What torch's compiler is given in place of other code gives what that code and torch's own give.

Sorting, plain matrix products and embedding bags are those of torch; compiled code itself is
compared in `test_tile_noise`, as it takes minutes.
"""

import pytest
import torch
from torch import Tensor

from classifier.sheet import show
from classifier.star_shape import _median_by_bits, _median_star, _of_rim
from classifier.sweeps import MOST_COUNTED, ranked_by_bits
from synth.optics import TERMS, pupil_amplitude, pupil_axis, spread, zernike_basis
from synth.psf import phase_stamps
from synth.stamp_rows import gathered, laid_in_rows, put_phases
from synth.starlight import OVER, STAMP_PX


def drawn(*shape: int, seed: int = 1) -> Tensor:
    return torch.randn(shape, generator=torch.Generator().manual_seed(seed))


@pytest.mark.parametrize("count", [1, 2, 64, MOST_COUNTED - 1])
def test_ranks_counted_are_those_sorted(count):
    # From 1e-30 to 1e30, zeros of both signs, equal values, infinite ones.
    values = drawn(40, count) * torch.logspace(-30, 30, 40)[:, None]
    values[0], values[1, : count // 2], values[2] = 0.0, -0.0, values[2].sign()
    values[3, count // 2 :] = torch.inf
    ordered = values.sort(-1).values
    for rank in {1, (count + 1) // 2, count}:
        assert torch.equal(ranked_by_bits(values, rank), ordered[:, rank - 1])
    own = torch.randint(1, count + 1, (40,), generator=torch.Generator().manual_seed(2))
    assert torch.equal(ranked_by_bits(values, own), ordered.gather(1, own[:, None] - 1)[:, 0])


def test_median_star_by_bits():
    stars = drawn(4, 64, 8, 8)
    used = drawn(4, 64, 1, 1, seed=2) > torch.tensor([-9.0, 0.0, 1.5, 9.0])[:, None, None, None]
    assert used[3].sum() == 0 and used[0].sum() == 64
    assert torch.equal(_median_by_bits(stars, used), _median_star(stars, used))
    for i in range(3):
        # torch's median of an even number is the lower of two, too.
        wanted = stars[i][used[i].flatten()].median(0).values
        assert torch.equal(_median_by_bits(stars, used)[i], wanted)


@pytest.mark.parametrize("side", [16, 32, 33])
def test_rims_counted_are_those_taken_out(side, monkeypatch):
    pictures = drawn(5, side, side)
    away = torch.arange(side) - side // 2
    rim = (away[:, None] ** 2 + away[None] ** 2).double().sqrt() > side // 2 - 3
    wanted = pictures[:, rim].sort(1).values[:, (int(rim.sum()) - 1) // 2]
    assert torch.equal(_of_rim(pictures), wanted)
    monkeypatch.setattr(torch.compiler, "is_compiling", lambda: True)
    assert torch.equal(_of_rim(pictures), wanted)


@pytest.mark.filterwarnings("ignore:Dynamo detected a call")
def test_stars_are_shown_in_one_piece():
    """Where the compiler has to stop, it leaves pieces that are slower than no compiling; on a
    device without memory shapes alone are followed, in no time."""
    batch, stars, side = 3, 64, 32
    given = (
        torch.empty(batch, stars, side, side, device="meta"),
        torch.empty(batch, stars, 2, device="meta"),
        torch.empty(batch, stars, device="meta"),
        torch.empty(batch, stars, dtype=torch.bool, device="meta"),
        torch.empty(batch, device="meta"),
    )
    whole = torch.compile(show, backend="eager", fullgraph=True)
    assert whole(*given).stack.shape == (batch, 4, side, side)


@pytest.mark.parametrize("side", [255, 256])
def test_even_and_odd_parts_give_the_matrix_fourier_transform(side):
    none = torch.zeros(2, 1)
    amplitude = pupil_amplitude(64, torch.tensor([0.0, 0.4]), none + 30, none + 0.03, none + 0.1,
                                none + 1)  # fmt: skip
    waves, step = 0.3 * drawn(2, 3, len(TERMS)), torch.tensor([0.2, 0.7])
    ratio = torch.tensor([0.9, 1.2])
    # The sum as it stands in Soummer et al. 2007, in double precision.
    phase = torch.einsum("bzt,tij->bzij", waves, zernike_basis(64, "cpu")).double()
    field = torch.polar(amplitude[:, None].double().expand_as(phase).contiguous(),
                        2 * torch.pi * phase / ratio[:, None, None, None])  # fmt: skip
    angle = (torch.arange(side) - side // 2) * (step / ratio)[:, None].double()
    kernel = torch.exp(-2j * torch.pi * angle[..., None] * pupil_axis(64, "cpu").double())
    image = kernel[:, None] @ field @ kernel.transpose(1, 2)[:, None]
    inside = (angle.abs() < 0.47 * 64).double()
    light = image.abs() ** 2 * inside[:, None, :, None] * inside[:, None, None]
    wanted = light / light.sum((2, 3), keepdim=True)
    found = spread(amplitude, waves, step, side, ratio)
    # Float32 sums of 64 x 64 terms, to 1e-5 of the brightest place.
    assert float((found - wanted).abs().max()) < 1e-5 * float(wanted.max())


def test_phases_written_in_rows_are_the_stamps_in_reverse():
    light = drawn(2, 3, STAMP_PX * OVER, STAMP_PX * OVER).abs()
    into = torch.zeros(2, 3, OVER, OVER, STAMP_PX, STAMP_PX + 5)
    put_phases(light, into, OVER)
    wanted = phase_stamps(light * OVER**2, OVER)
    wanted[..., -1, :], wanted[..., -1] = 0, 0
    torch.testing.assert_close(into[..., :STAMP_PX].flatten(2, 3).flip(2), wanted)
    assert float(into[..., STAMP_PX:].abs().max()) == 0


@pytest.mark.parametrize("colour", [False, True])
def test_light_fetched_is_light_laid_in_rows(colour):
    side, generator = 16, torch.Generator().manual_seed(3)
    stamps = torch.zeros(5, STAMP_PX, STAMP_PX + side)
    stamps[:, 1:-1, 1 : STAMP_PX - 1] = torch.rand(5, 62, 62, generator=generator)
    pitch = stamps.shape[-1]
    flat = torch.cat((torch.zeros(pitch), stamps.flatten()))

    def whole(low: int, high: int, *shape: int) -> Tensor:
        return torch.randint(low, high, shape, generator=generator)

    origin = 8 * whole(0, 20, 2, 3, 2)
    first = whole(0, 5, 2, 3, 4) * STAMP_PX * pitch
    left, top = (origin[:, :, None, i] + whole(-90, 40, 2, 3, 4) for i in (0, 1))
    stars = first, left, top, torch.rand(2, 3, 4, generator=generator)
    planes = torch.rand(2, 3, 4, 4, generator=generator) if colour else None
    empty = torch.rand(2, 4, generator=generator)
    laid = laid_in_rows(flat, pitch, origin, side, stars, planes)
    laid += empty.view(2, 1, 2, 2).repeat(1, 1, side // 2, side // 2)
    found = gathered(flat, pitch, origin, side, stars, planes, empty)
    assert float(laid.max()) > 1.5  # else it is all sky
    torch.testing.assert_close(found, laid)
