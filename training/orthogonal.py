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


def _gradients(weights: Sequence[Tensor]) -> list[Tensor]:
    return [each.grad for each in weights if each.grad is not None]


class OrthogonalSteps(torch.optim.Optimizer):
    """Learns weights of two dimensions or more, a convolution's kernels as rows of a matrix."""

    def __init__(self, weights: Sequence[Tensor], lr: float, weight_decay: float):
        super().__init__(list(weights), {"lr": lr, "weight_decay": weight_decay})
        self._rate = torch.zeros((), device=weights[0].device)
        self._graph: torch.cuda.CUDAGraph | None = None
        self._recorded_at: list[int] = []

    @torch.no_grad()
    def step(self, closure: None = None) -> None:  # type: ignore[override]
        self._rate.fill_(self.param_groups[0]["lr"])
        if self._graph is not None and self._places() == self._recorded_at:
            self._graph.replay()
        else:
            self._move_all()

    @torch.no_grad()
    def record(self) -> None:
        """On a GPU, from here on play a step from a recording of its thousand short kernels where
        the gradients lie as they do now. Nothing is learnt of them yet."""
        self._rate.zero_()
        # What lies there may be no numbers, and nothing times these is none either.
        torch._foreach_zero_(_gradients(self._learning()))
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            self._move_all()
        torch.cuda.current_stream().wait_stream(aside)
        self._graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(self._graph, capture_error_mode="thread_local"):
            self._move_all()
        self._recorded_at = self._places()
        self.forget()

    def forget(self) -> None:
        """Remember no gradient of before."""
        for state in self.state.values():
            state["momentum"].zero_()

    def _learning(self) -> list[Tensor]:
        return [weights for weights in self.param_groups[0]["params"] if weights.grad is not None]

    def _places(self) -> list[int]:
        return [gradient.data_ptr() for gradient in _gradients(self._learning())]

    def _move_all(self) -> None:
        alike: dict[tuple[int, int], list[Tensor]] = {}
        for weights in self._learning():
            rows = len(weights)
            alike.setdefault((rows, weights.numel() // rows), []).append(weights)
        for (rows, columns), some in alike.items():
            self._move(some, rows, columns)

    def _move(self, some: list[Tensor], rows: int, columns: int) -> None:
        gradients = _gradients(some)
        momenta = [self._momentum(weights) for weights in some]
        torch._foreach_lerp_(momenta, gradients, 1 - MOMENTUM)
        # A look ahead (Nesterov): the momentum as it will be, were this gradient to come again.
        ahead = torch._foreach_lerp(gradients, momenta, MOMENTUM)
        steps = orthogonal(torch.stack([each.reshape(rows, columns) for each in ahead])).float()
        steps *= -ADAMW_RMS * max(rows, columns) ** 0.5 * self._rate
        torch._foreach_mul_(some, 1 - self._rate * self.param_groups[0]["weight_decay"])
        torch._foreach_add_(some, [s.view(w.shape) for s, w in zip(steps, some, strict=True)])

    def _momentum(self, weights: Tensor) -> Tensor:
        state = self.state[weights]
        if "momentum" not in state:
            state["momentum"] = torch.zeros_like(weights)
        return state["momentum"]
