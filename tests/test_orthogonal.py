"""Orthogonal steps, held against linear algebra and torch's own optimiser of the kind."""

import pytest
import torch

from training.orthogonal import OrthogonalSteps, orthogonal


@pytest.mark.parametrize("shape", [(3, 64, 128), (2, 200, 50), (1, 96, 96)])
def test_directions_stay_and_singular_values_become_alike(shape):
    torch.manual_seed(1)
    matrices = torch.randn(shape)
    near = orthogonal(matrices)
    values = torch.linalg.svdvals(near)
    # The polynomial leaves values between 0.68 and 1.13 (Jordan et al. 2024; from memory); a square
    # matrix of chance has some so near to nothing that five rounds do not lift them all.
    assert values.max() < 1.25
    assert values.median() > 0.68
    u, _, v = torch.linalg.svd(matrices, full_matrices=False)
    nearest = u @ v
    alike = (near * nearest).sum((-2, -1)) / near.norm(dim=(-2, -1)) / nearest.norm(dim=(-2, -1))
    assert alike.min() > 0.95


@pytest.mark.skipif(not hasattr(torch.optim, "Muon"), reason="this torch has no Muon")
def test_steps_are_those_of_torch():
    # torch.optim.Muon: the same rule, written by others, for single matrices in bfloat16.
    torch.manual_seed(2)
    start = torch.randn(64, 96)
    mine, theirs = (torch.nn.Parameter(start.clone()) for _ in range(2))
    ours = OrthogonalSteps([mine], 0.02, 0.1)
    other = torch.optim.Muon(
        [theirs], lr=0.02, weight_decay=0.1, momentum=0.95, adjust_lr_fn="match_rms_adamw"
    )
    for _ in range(4):
        gradient = torch.randn(64, 96)
        mine.grad, theirs.grad = gradient.clone(), gradient.clone()
        ours.step()
        other.step()
    moved = theirs.detach() - start
    # Bfloat16 keeps 8 bits: products of five rounds differ by a few percent.
    assert (mine.detach() - theirs.detach()).norm() < 0.05 * moved.norm()


def test_kernels_of_a_convolution_move_as_rows_of_a_matrix():
    torch.manual_seed(3)
    start = torch.randn(48, 32, 3, 3).to(memory_format=torch.channels_last)
    kernels = torch.nn.Parameter(start.clone())
    rows = torch.nn.Parameter(start.reshape(48, 288).clone())
    gradient = torch.randn(48, 32, 3, 3)
    kernels.grad, rows.grad = gradient.clone(), gradient.reshape(48, 288).clone()
    for each in (kernels, rows):
        OrthogonalSteps([each], 0.01, 0.0).step()
    torch.testing.assert_close(kernels.detach().reshape(48, 288), rows.detach())
    # As long as AdamW's: 0.2 of the rate in the mean, with singular values of 0.68 to 1.13.
    length = (kernels.detach() - start).square().mean().sqrt()
    assert 0.68 * 0.2 * 0.01 < length < 1.13 * 0.2 * 0.01


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA device")
def test_a_recorded_step_is_the_plain_one():
    torch.manual_seed(4)
    start = torch.randn(64, 32, 3, 3, device="cuda")
    plain, played = (torch.nn.Parameter(start.clone()) for _ in range(2))
    for each in (plain, played):
        each.grad = torch.full_like(start, float("nan"))
    slow, fast = (OrthogonalSteps([each], 0.01, 0.1) for each in (plain, played))
    fast.record()
    assert torch.equal(played, start)
    for _ in range(3):
        gradient = torch.randn_like(start)
        for each in (plain, played):
            each.grad.copy_(gradient)
        slow.step()
        fast.step()
    torch.testing.assert_close(played, plain)
