"""The light along lines: laid out as SciPy lays it out, told by the numbers of a Gaussian trail.

Outside references: scipy.ndimage for values between pixels, the Gaussian's integral and its full
width at half height of 2.355 sigma (closed forms).
"""

import numpy as np
import pytest
import torch
from scipy.ndimage import map_coordinates
from small_model import random_views

from classifier.line_profile import ALONG, LINE_FACTS, REACH_PX, line_facts, line_strips
from classifier.line_view import LENGTHS, LOOKS
from classifier.lines import STAGES
from classifier.network import BRANCHES, LINES, Network, NetworkConfig
from classifier.sheet import SHAPE_FACTS
from classifier.surface import SURFACE_FACTS
from classifier.views import PHYSICAL, make_views
from training.ablation import ablated, variants_of
from training.checkpoint import load_checkpoint
from training.config import TrainConfig
from training.data import TRAINING, render_sample
from training.turns import turn

SMALL = NetworkConfig(width=8, features=32, star_features=16, dropout=0.0)
ALONG_LINES = NetworkConfig(**SMALL.as_dict() | {"lines": 1})
HEIGHT, SIGMA_PX = 2.0, 1.5


def trail_of(side: int, ends: tuple[float, ...]) -> np.ndarray:
    """(side, side) a straight trail of HEIGHT with a Gaussian section, endless."""
    x0, y0, x1, y1 = ends
    rows, columns = np.indices((side, side))
    length = np.hypot(x1 - x0, y1 - y0)
    off = ((rows - y0) * (x1 - x0) - (columns - x0) * (y1 - y0)) / length
    return HEIGHT * np.exp(-0.5 * (off / SIGMA_PX) ** 2)


def told(picture: np.ndarray, ends: tuple[float, ...]) -> dict[str, float]:
    strips = line_strips(torch.tensor(picture).float()[None], torch.tensor(ends).view(1, 1, 4))
    return dict(zip(LINE_FACTS, line_facts(strips)[0].tolist(), strict=True))


@pytest.mark.parametrize("ends", [(10.0, 20.0, 110.0, 75.0), (90.0, 12.0, 30.5, 80.0)])
def test_strips_are_the_picture_along_the_line(ends):
    picture = np.random.default_rng(1).normal(size=(96, 128))
    x0, y0, x1, y1 = ends
    length = np.hypot(x1 - x0, y1 - y0)
    t = (np.arange(4 * ALONG) + 0.5) / (4 * ALONG)
    aside = np.arange(-REACH_PX, REACH_PX + 1)[:, None]
    x = x0 + t * (x1 - x0) - aside * (y1 - y0) / length
    y = y0 + t * (y1 - y0) + aside * (x1 - x0) / length
    expected = map_coordinates(picture, [y, x], order=1, mode="constant")
    expected = expected.reshape(len(aside), ALONG, 4).mean(2)
    strips = line_strips(
        torch.tensor(picture).float()[None].repeat(2, 1, 1),
        torch.tensor([[[1.0, 1, 90, 90], ends]] * 2),
    )
    assert strips.shape == (2, 2, 2 * REACH_PX + 1, ALONG)
    # SciPy fills with zero beyond the last pixel's middle, torch fades to it over one pixel.
    inside = ((x > 1) & (x < 126) & (y > 1) & (y < 94)).reshape(len(aside), ALONG, 4).all(2)
    assert inside.mean() > 0.7
    for row in strips[:, 1].numpy():
        np.testing.assert_allclose(row[inside], expected[inside], atol=2e-3)


def test_a_trail_is_lit_all_along_and_as_wide_as_it_is():
    ends = (10.0, 30.0, 245.0, 190.0)
    found = told(trail_of(256, ends), ends)
    core, band = (
        HEIGHT * np.exp(-0.5 * (np.arange(-reach, reach + 1) / SIGMA_PX) ** 2).mean()
        for reach in (1, 3)
    )
    # Joining pixels linearly blurs by a triangle of variance 1/6 px^2: the crest falls to
    # sqrt(2.25 / (2.25 + 1/6)) = 0.965 of its height, the band by less.
    assert 0.95 * core < found["core_median"] < core
    assert 0.95 * band < found["band_median"] < band
    for name in ("core", "band"):
        assert found[f"{name}_lit"] == found[f"{name}_positive"] == 1
        assert found[f"{name}_darkest"] > 0.97 * found[f"{name}_median"]
    # Whole pixels over half height: within one of the width, and never the next odd number.
    assert abs(found["width"] - 2.355 * SIGMA_PX) < 1.0
    assert found["one_sided"] < 0.01


def test_a_chain_of_stars_of_as_much_light_is_told_from_a_trail():
    """Both sum to the same along the line; by ranks the chain is dark."""
    ends = (10.0, 30.0, 245.0, 190.0)
    rows, columns = np.indices((256, 256))
    t = (np.arange(6) + 0.5) / 6
    chain = np.zeros((256, 256))
    for x, y in zip(10 + t * 235, 30 + t * 160, strict=True):
        chain += np.exp(-0.5 * ((columns - x) ** 2 + (rows - y) ** 2) / 3.0**2)
    trail = trail_of(256, ends)
    as_much = told(chain, ends)["core_mean"] / told(trail, ends)["core_mean"]
    stars, line = told(chain / as_much, ends), told(trail, ends)
    assert stars["core_mean"] == pytest.approx(line["core_mean"], rel=1e-3)
    assert line["core_median"] > 0.9 * line["core_mean"]
    assert stars["core_median"] < 0.05 * stars["core_mean"]
    assert stars["core_darkest"] < 0.05 * line["core_darkest"]
    assert stars["crest"] < 0.05 * line["crest"]


def test_it_does_not_matter_which_way_a_line_is_followed():
    picture = torch.randn(1, 96, 128, generator=torch.Generator().manual_seed(2))
    ends = torch.tensor([[[10.0, 20.0, 110.0, 75.0]]])
    forth = line_facts(line_strips(picture, ends))
    back = line_facts(line_strips(picture, ends[..., [2, 3, 0, 1]]))
    torch.testing.assert_close(forth, back, atol=1e-4, rtol=1e-4)


def frames() -> tuple[torch.Tensor, torch.Tensor]:
    noise = torch.randn(2, 512, 640, generator=torch.Generator().manual_seed(3))
    pixels = 500 + 10 * noise
    pixels[0] += 15 * torch.tensor(trail_of(640, (0.0, 60.0, 639.0, 400.0))[:512]).float()
    return pixels, torch.full((2, len(PHYSICAL)), torch.nan)


def test_views_hold_lines_where_they_are_asked_for_and_nothing_but_the_search_is_another():
    plain, along = make_views(*frames()), make_views(*frames(), lines=1)
    assert plain.lines.shape == (2, 0)
    assert along.lines.shape == (2, LOOKS[1].count) == (2, STAGES * len(LINE_FACTS))
    for name, value in vars(plain).items():
        if name not in ("lines", "line_px", "facts"):
            assert torch.equal(value, getattr(along, name))
    before = len(SHAPE_FACTS) + len(SURFACE_FACTS)
    changed = (plain.facts != along.facts).any(0).nonzero().flatten().tolist()
    assert changed == list(range(before, before + STAGES))
    first = along.lines[:, : len(LINE_FACTS)]
    lit, median = (LINE_FACTS.index(f"core_{name}") for name in ("lit", "median"))
    assert first[0, lit] == 1
    assert first[0, median] > 5 * first[1, median].abs()
    assert len(along[:1].half().lines) == 1


def test_a_turned_frame_has_the_same_lines():
    pixels, physical = frames()
    views, context = make_views(pixels, physical, lines=1), torch.zeros(2, 13)
    mirrored = make_views(pixels.flip(2).contiguous(), physical, lines=1)
    assert torch.equal(turn(views, context, 1)[0].lines, views.lines)
    assert turn(views, context, 7)[0].lines.shape == views.lines.shape
    # Of the trail; where the ends lie between pixels the light differs by a little, and its width,
    # which is counted, by a pixel.
    ours, theirs = (v.lines[0, : len(LINE_FACTS)].clone() for v in (views, mirrored))
    width = LINE_FACTS.index("width")
    assert (ours[width] - theirs[width]).abs() <= 1
    ours[width] = theirs[width]
    torch.testing.assert_close(theirs, ours, atol=0.1, rtol=0.1)


def test_a_network_begins_to_look_along_lines_with_what_it_said_before(tmp_path):
    from safetensors.torch import save_file

    torch.manual_seed(4)
    before, views = Network(SMALL).eval(), random_views(3)
    path = tmp_path / "before.safetensors"
    save_file({f"network.{n}": t.contiguous() for n, t in before.state_dict().items()}, path)
    after = Network(ALONG_LINES).eval()
    load_checkpoint(after, path)
    torch.testing.assert_close(after.encode(views), before.encode(views))
    torch.nn.init.normal_(after.lines_heard.weight, std=0.1)
    heard = after.encode(views)
    assert (heard - before.encode(views)).abs().max() > 1e-3
    torch.testing.assert_close(after.encode(views, without=(LINES,)), before.encode(views))
    with pytest.raises(ValueError, match="'lines'"):
        before.encode(views, without=(LINES,))


def test_a_network_that_is_told_more_along_lines_begins_with_what_it_said_before(tmp_path):
    from safetensors.torch import save_file

    torch.manual_seed(6)
    before = Network(ALONG_LINES).eval()
    torch.nn.init.normal_(before.lines_heard.weight, std=0.1)
    path = tmp_path / "before.safetensors"
    save_file({f"network.{n}": t.contiguous() for n, t in before.state_dict().items()}, path)
    after = Network(NetworkConfig(**SMALL.as_dict() | {"lines": 2})).eval()
    start = load_checkpoint(after, path)
    views = random_views(3, lines=2)
    told = views.lines
    views.lines = told[:, : LOOKS[1].count]
    expected = before.encode(views)
    views.lines = told
    torch.testing.assert_close(after.encode(views), expected)
    assert all(tensor.shape == start[name].shape for name, tensor in after.state_dict().items())


def test_a_closer_look_is_told_behind_what_was_told_before():
    first, second = (make_views(*frames(), lines=look) for look in (1, 2))
    assert second.lines.shape == (2, LOOKS[2].count)
    assert torch.equal(second.lines[:, : LOOKS[1].count], first.lines)
    assert torch.equal(second.facts, first.facts)


def test_one_search_between_the_stars_is_told_as_the_second_of_two():
    two, one = (make_views(*frames(), lines=look) for look in (3, 4))
    assert one.lines.shape == two.lines.shape
    close = slice(LOOKS[1].count, None)
    assert torch.equal(one.lines[:, close], two.lines[:, close])
    # The trail is that of both searches, its ends within two of the cells that are searched.
    assert (one.line_px[0] - two.line_px[0]).abs().max() <= 4
    first = len(SHAPE_FACTS) + len(SURFACE_FACTS)
    snr = one.facts[:, first : first + STAGES]
    assert snr[0, 0] > snr[1, 0] + 1
    # What the first of two searches told beside is now of the one that there is.
    assert torch.equal(snr, one.lines[:, -LENGTHS:][:, :STAGES])
    assert not torch.equal(snr, two.facts[:, first : first + STAGES])


def test_crowded_frames_are_searched_once_whether_asked_to_or_not():
    noise = torch.randn(1, 2 * 4 * 540, 900, generator=torch.Generator().manual_seed(7))
    sky, unknown = 500 + 10 * noise, torch.full((1, len(PHYSICAL)), torch.nan)
    two, one = (make_views(sky, unknown, lines=look) for look in (3, 4))
    assert torch.equal(one.lines, two.lines)
    assert torch.equal(one.facts, two.facts)


def test_a_network_is_judged_without_its_lines_and_by_them_alone():
    torch.manual_seed(5)
    network = Network(ALONG_LINES).eval()
    torch.nn.init.normal_(network.lines_heard.weight, std=0.1)
    names = list(variants_of(network.branches))
    assert set(names) - set(variants_of(BRANCHES)) == {"without_lines", "only_lines"}
    config = TrainConfig(
        steps=1, shapes=((128, 128),), shape_weights=(1.0,), render_batch=8, network={"lines": 1}
    )
    sample = render_sample(config, TRAINING, 0, torch.device("cpu"))
    assert sample.views.lines.shape == (8, LOOKS[1].count) and sample.views.lines.isfinite().all()
    logits = ablated(network, sample).logits
    assert logits.shape[1] == len(names)
    whole, without = logits[:, 0], logits[:, names.index("without_lines")]
    assert np.abs(whole - without).max() > 1e-4
    only = network.join(
        [0 * part for part in network.told(sample.views.float())[:-1]]
        + network.told(sample.views.float())[-1:]
    )
    expected = network.judge(only, torch.full_like(sample.context, torch.nan))
    np.testing.assert_allclose(logits[:, names.index("only_lines")], expected.detach(), atol=1e-5)
