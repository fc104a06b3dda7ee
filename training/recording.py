"""What one step learns from, and the kernels of a step as a recording that a GPU plays."""

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor, nn

from classifier.views import Views
from training.data import Sample, targets_of


@dataclass(frozen=True)
class Lesson:
    """What one step learns from: views and context of B frames, targets (B, 16), is_sky (B,),
    cells (B, 3, 16, 16)."""

    views: Views
    context: Tensor
    targets: Tensor
    is_sky: Tensor
    cells: Tensor

    @staticmethod
    def of(sample: Sample) -> "Lesson":
        targets = targets_of(sample.strength)
        return Lesson(sample.views, sample.context, targets, sample.is_sky, sample.cells)

    def tensors(self) -> list[Tensor]:
        own = (self.context, self.targets, self.is_sky, self.cells)
        return [*vars(self.views).values(), *own]


class Recorded:
    """The kernels of one forward and backward pass as a CUDA graph, for batches of one size."""

    WARM_UP = 3

    def __init__(
        self,
        lesson: Lesson,
        differentiate: Callable[[Lesson], Tensor],
        learning: list[nn.Parameter],
    ):
        self._own = Lesson(
            Views(**{name: tensor.clone() for name, tensor in vars(lesson.views).items()}),
            *(tensor.clone() for tensor in lesson.tensors()[len(vars(lesson.views)) :]),
        )
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for _ in range(self.WARM_UP):
                forget_gradients(learning)
                differentiate(self._own)
        torch.cuda.current_stream().wait_stream(aside)
        self._graph = torch.cuda.CUDAGraph()
        # Without gradients at the start, the graph writes them anew each time it is played.
        forget_gradients(learning)
        with torch.cuda.graph(self._graph, capture_error_mode="thread_local"):
            self._loss = differentiate(self._own)
        self._gradients = [(p, p.grad) for p in learning]

    def fits(self, lesson: Lesson) -> bool:
        pairs = zip(self._own.tensors(), lesson.tensors(), strict=True)
        return all(a.shape == b.shape and a.dtype == b.dtype for a, b in pairs)

    def replay(self, lesson: Lesson) -> Tensor:
        """Loss of the batch; the weights have its gradients then."""
        torch._foreach_copy_(self._own.tensors(), lesson.tensors())
        self._graph.replay()
        self.lend_gradients()
        return self._loss.clone()

    def lend_gradients(self) -> None:
        """Gradients are where the recording put them."""
        for parameter, gradient in self._gradients:
            parameter.grad = gradient


def forget_gradients(learning: list[nn.Parameter]) -> None:
    for parameter in learning:
        parameter.grad = None
