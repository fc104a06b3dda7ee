"""Cells of a frame in which its faults lie: against the light that is rendered, and by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
import torch.nn.functional as F

from classifier.vocabulary import INDEX
from synth.expose import expected_electrons
from synth.generate import draw_scenes
from synth.plan import plan
from synth.recipes import RECIPES
from synth.scene import Scene
from synth.streaks import Trail
from training.config import read_train_config
from training.data import TRAINING, render_sample
from training.fault_cells import CELLS, SOMEWHERE, cells_unknown, fault_cells
from training.turns import TURNS, turned_map

CONFIGS = Path(__file__).parent.parent / "training" / "configs"
WIDTH_PX, HEIGHT_PX = 480, 320
WITHOUT = {
    "trail": {"trails": ()},
    "dust_motes": {"dust": None},
    "reflection": {"reflection": None},
}


@pytest.fixture(scope="module")
def clean() -> Scene:
    return draw_scenes(4, 0, 8, WIDTH_PX, HEIGHT_PX, faults=())[0]


def cells_of(scene: Scene, key: str) -> np.ndarray:
    return fault_cells([scene], "cpu")[0, SOMEWHERE.index(key)].bool().numpy()


@pytest.mark.parametrize("key", SOMEWHERE)
@pytest.mark.parametrize("seed", range(4))
def test_a_fault_lies_where_rendering_it_changes_the_light(clean: Scene, key: str, seed: int):
    scene = RECIPES[key](clean, 60.0, np.random.default_rng(seed))
    # A ghost comes with its star, which is to stay.
    rest = replace(scene, **WITHOUT[key])
    with_it, without = (expected_electrons(plan([each]))[0] for each in (scene, rest))
    change = (with_it - without).abs()
    if key == "dust_motes":  # a shadow takes a share of whatever light there is
        change = change / without
    cell = (HEIGHT_PX // CELLS, WIDTH_PX // CELLS)
    strongest = F.max_pool2d(change[None, None], cell)[0, 0].numpy()
    told = cells_of(scene, key)
    assert 0 < told.sum() < CELLS**2
    # What is told is lit, if perhaps by the next cell's edge; what is bright is told.
    beside = F.max_pool2d(torch.from_numpy(strongest)[None, None], 3, 1, 1)[0, 0].numpy()
    assert (beside[told] > 0.02 * strongest.max()).mean() > 0.95
    assert told[strongest > 0.6 * strongest.max()].mean() > 0.95


def test_a_level_trail_lies_in_its_row_of_cells_and_as_far_as_it_goes(clean: Scene):
    """Row 5 of 16 is 100 to 120 px of 320; columns are 30 px wide."""
    level = Trail(35.0, 111.0, 200.0, 111.0, sigma_px=1.5, peak_e=500.0)
    told = cells_of(replace(clean, trails=(level,)), "trail")
    assert np.argwhere(told).tolist() == [[5, column] for column in range(1, 7)]


def test_frames_without_them_have_none_anywhere(clean: Scene):
    assert fault_cells([clean, clean], "cpu").sum() == 0


@pytest.mark.parametrize("which", range(TURNS))
def test_cells_turn_with_the_sky_picture(which: int):
    picture = torch.arange(2 * CELLS**2).reshape(1, 2, CELLS, CELLS)
    by_hand = picture[0].numpy()
    if which & 1:
        by_hand = by_hand[:, :, ::-1]
    if which & 2:
        by_hand = by_hand[:, ::-1]
    if which & 4:
        by_hand = by_hand.transpose(0, 2, 1)
    assert (turned_map(picture, which)[0].numpy() == by_hand).all()


def test_rendered_samples_tell_the_cells_of_their_own_scenes():
    config = read_train_config(CONFIGS / "tiny.toml").changed(render_batch=64, cell_weight=0.3)
    sample = render_sample(config, TRAINING, 0, torch.device("cpu"))
    told = sample.cells.sum((2, 3)) > 0
    for column, key in enumerate(SOMEWHERE):
        strong = sample.strength[:, INDEX[key]] > 20
        assert told[strong, column].all(), key
    assert told.any()
    assert sample.rows(torch.tensor([3, 1])).cells.equal(sample.cells[[3, 1]])
    unasked = render_sample(config.changed(cell_weight=0.0), TRAINING, 0, torch.device("cpu"))
    assert unasked.cells.isnan().all(), "worked out for those who ask"


def test_of_other_frames_nothing_is_known():
    assert cells_unknown(3, "cpu").shape == (3, len(SOMEWHERE), CELLS, CELLS)
    assert cells_unknown(3, "cpu").isnan().all()
