"""Each branch of the network learns what its own view shows, from a head of its own."""

import math

import pytest
import torch
from small_model import SMALL, random_views

from classifier.network import BRANCHES, LINES, Network
from classifier.vocabulary import INDEX, KEYS
from training.branch_lessons import SHOWN_IN, BranchLessons
from training.fault_cells import CELLS, SOMEWHERE, cells_unknown


@pytest.fixture
def lessons() -> BranchLessons:
    torch.manual_seed(3)
    return BranchLessons(Network(SMALL))


def told_of(frames: int) -> list[torch.Tensor]:
    with torch.no_grad():
        return Network(SMALL).eval().told(random_views(frames))


def test_every_branch_is_asked_for_known_faults() -> None:
    assert tuple(SHOWN_IN) == (*BRANCHES, LINES)
    assert {key for keys in SHOWN_IN.values() for key in keys} == set(KEYS)


def test_heads_that_know_nothing_lose_log_2(lessons: BranchLessons) -> None:
    for parameter in lessons.parameters():
        parameter.data.zero_()
    targets = torch.randint(2, (5, len(KEYS))).float()
    # A coin's cross-entropy, by definition.
    assert lessons.loss(told_of(5), targets).item() == pytest.approx(math.log(2), rel=1e-5)


def test_what_a_view_cannot_show_and_what_is_unknown_costs_nothing(lessons: BranchLessons) -> None:
    told = [part.requires_grad_() for part in told_of(4)]
    targets = torch.full((4, len(KEYS)), torch.nan)
    targets[:, INDEX["trail"]] = 1.0
    lessons.loss(told, targets).backward()
    moved = {name for name, part in zip(BRANCHES, told, strict=True) if part.grad.abs().sum() > 0}
    assert moved == {name for name in BRANCHES if "trail" in SHOWN_IN[name]} == {"sky", "facts"}


def asked_for_cells(frames: int) -> tuple[list[torch.Tensor], torch.Tensor, torch.Tensor]:
    """Maps of the sky, targets and cells, in which the upper half of each frame is spoilt."""
    maps = Network(SMALL).eval().sky.maps(random_views(frames).sky)
    cells = torch.zeros(frames, len(SOMEWHERE), CELLS, CELLS)
    cells[:, :, : CELLS // 2] = 1.0
    return [each.detach().requires_grad_() for each in maps], torch.ones(frames, len(KEYS)), cells


def test_cells_that_are_a_coin_toss_lose_log_2_each(lessons: BranchLessons) -> None:
    maps, targets, cells = asked_for_cells(3)
    for parameter in lessons.cells.parameters():
        parameter.data.zero_()
    loss = lessons.cell_loss(maps, targets, cells)
    assert loss.item() == pytest.approx(CELLS * math.log(2), rel=1e-5)
    # In a frame that is free of a fault its cells are none of its, wherever they lie.
    lessons.cells.get_parameter("bias").data.fill_(-20.0)
    assert lessons.cell_loss(maps, torch.zeros_like(targets), cells).item() < 1e-3
    assert lessons.cell_loss(maps, targets, cells).item() == pytest.approx(CELLS * 10, rel=1e-3)


def test_cells_of_unknown_faults_and_frames_cost_nothing(lessons: BranchLessons) -> None:
    maps, targets, cells = asked_for_cells(4)
    targets[0, INDEX["trail"]] = torch.nan
    cells[1:] = cells_unknown(3, "cpu")
    lessons.cells.get_parameter("weight").data[1:] = 0.0  # the trail's alone are looked at
    lessons.cell_loss(maps, targets, cells).backward()
    moved = [each.grad is not None and bool(each.grad.any()) for each in maps]
    assert not any(moved)
    targets[0, INDEX["trail"]] = 1.0
    lessons.cell_loss(maps, targets, cells).backward()
    sizes = [each.shape[-1] for each in maps if each.grad is not None and each.grad.any()]
    assert sizes == [CELLS]
