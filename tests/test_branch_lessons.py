"""Each branch of the network learns what its own view shows, from a head of its own."""

import math

import pytest
import torch
from small_model import SMALL, random_views

from classifier.network import BRANCHES, LINES, Network
from classifier.vocabulary import INDEX, KEYS
from training.branch_lessons import SHOWN_IN, BranchLessons


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
