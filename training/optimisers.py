"""What moves the weights of a network in training: AdamW, or orthogonal steps for its matrices.

Of an orthogonal step (Muon: Jordan et al. 2024; scaled as Liu et al. 2025, arXiv 2502.16982, from
memory) all directions of a matrix are equally long. It is torch's own optimiser for matrices;
convolutions are lent to it as matrices of one row for each output.
"""

import torch
from torch import Tensor, nn

from training.config import TrainConfig

BETAS = (0.9, 0.98)


class Optimisers:
    """Moves the weights of `learning`, of `matrices` orthogonally with `config.orthogonal`."""

    def __init__(
        self,
        learning: list[nn.Parameter],
        matrices: list[nn.Parameter],
        config: TrainConfig,
        fused: bool,
    ):
        self._lent: list[tuple[nn.Parameter, nn.Parameter]] = []
        self._each: list[torch.optim.Optimizer] = []
        wanted = matrices if config.orthogonal else []
        self._lent = [(p, nn.Parameter(_as_matrix(p.detach()))) for p in wanted]
        if self._lent:
            self._each.append(
                torch.optim.Muon(
                    [lent for _, lent in self._lent],
                    lr=config.learning_rate,
                    weight_decay=config.weight_decay,
                    adjust_lr_fn="match_rms_adamw",
                )
            )
        taken = {id(p) for p, _ in self._lent}
        rest = [p for p in learning if p.requires_grad and id(p) not in taken]
        # Weights proper decay; offsets and norms do not.
        groups = [
            {"params": [p for p in rest if p.ndim > 1], "weight_decay": config.weight_decay},
            {"params": [p for p in rest if p.ndim <= 1], "weight_decay": 0.0},
        ]
        self._each.append(
            torch.optim.AdamW(groups, lr=config.learning_rate, betas=BETAS, fused=fused)
        )

    def step(self, rate: float) -> None:
        for own, lent in self._lent:
            lent.grad = None if own.grad is None else _as_matrix(own.grad)
        for optimiser in self._each:
            for group in optimiser.param_groups:
                group["lr"] = rate
            optimiser.step()

    def forget(self) -> None:
        """Go on as if no step had been made."""
        for optimiser in self._each:
            optimiser.state.clear()


def matrices_of(network: nn.Module, apart: tuple[str, ...]) -> list[nn.Parameter]:
    """Weights of more than one dimension, but those whose names begin with one of `apart`: what
    comes in first and what goes out last are no maps between hidden features."""
    named = network.named_parameters()
    return [p for name, p in named if p.ndim > 1 and not name.startswith(apart)]


def _as_matrix(weights: Tensor) -> Tensor:
    """(n, ...) -> (n, m), sharing memory with the weights, whichever way these are laid out."""
    if weights.ndim == 2:
        return weights
    if not weights.is_contiguous():
        weights = weights.permute(0, 2, 3, 1)  # channels lie last
    return weights.reshape(len(weights), -1)
