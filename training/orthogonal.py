"""Steps that are orthogonal: every matrix of weights moves by about as much in all its directions.

The momentum of a matrix is taken to the nearest matrix whose singular values are all alike, by a
polynomial that a few products work out (Newton and Schulz), so that directions in which gradients
are weak are learnt too (Jordan et al. 2024, "Muon"; coefficients from there, from memory). Steps
are as long as AdamW's are found to be (root mean square 0.2 of the rate: Liu et al. 2025, arXiv
2502.16982). Matrices of one shape are worked out together: a network of many small ones would
otherwise wait for the starts of kernels.
"""

from collections.abc import Sequence

import torch
from torch import Tensor

MOMENTUM = 0.95
ROUNDS = 5
COEFFICIENTS = (3.4445, -4.7750, 2.0315)
# Root mean square of AdamW's steps over its rate.
ADAMW_RMS = 0.2


def orthogonal(matrices: Tensor) -> Tensor:
    """(N, rows, columns) -> matrices of the same directions whose singular values lie about 1
    (0.7 to 1.2), in bfloat16 on a GPU."""
    turned = matrices.shape[-2] > matrices.shape[-1]
    x = matrices.mT if turned else matrices
    x = x.bfloat16() if x.is_cuda else x.float()
    x = x / (x.norm(dim=(-2, -1), keepdim=True) + 1e-7)
    a, b, c = COEFFICIENTS
    for _ in range(ROUNDS):
        square = x @ x.mT
        x = a * x + (b * square + c * square @ square) @ x
    return x.mT if turned else x


class OrthogonalSteps(torch.optim.Optimizer):
    """Learns weights of two dimensions or more, a convolution's kernels as rows of a matrix."""

    def __init__(self, weights: Sequence[Tensor], lr: float, weight_decay: float):
        super().__init__(list(weights), {"lr": lr, "weight_decay": weight_decay})

    @torch.no_grad()
    def step(self, closure: None = None) -> None:  # type: ignore[override]
        for group in self.param_groups:
            alike: dict[tuple[int, int], list[Tensor]] = {}
            for weights in group["params"]:
                if weights.grad is not None:
                    rows = len(weights)
                    alike.setdefault((rows, weights.numel() // rows), []).append(weights)
            for (rows, columns), some in alike.items():
                self._move(some, rows, columns, group["lr"], group["weight_decay"])

    def _move(self, some: list[Tensor], rows: int, columns: int, lr: float, decay: float) -> None:
        gradients = [weights.grad for weights in some if weights.grad is not None]
        momenta = [self._momentum(weights) for weights in some]
        torch._foreach_lerp_(momenta, gradients, 1 - MOMENTUM)
        # A look ahead (Nesterov): the momentum as it will be, were this gradient to come again.
        ahead = torch._foreach_lerp(gradients, momenta, MOMENTUM)
        steps = orthogonal(torch.stack([each.reshape(rows, columns) for each in ahead]))
        length = ADAMW_RMS * max(rows, columns) ** 0.5
        torch._foreach_mul_(some, 1 - lr * decay)
        each = [s.view(w.shape).to(w.dtype) for s, w in zip(steps, some, strict=True)]
        torch._foreach_add_(some, each, alpha=-lr * length)

    def _momentum(self, weights: Tensor) -> Tensor:
        state = self.state[weights]
        if "momentum" not in state:
            state["momentum"] = torch.zeros_like(weights)
        return state["momentum"]
