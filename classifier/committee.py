"""Members who judge the same frame, each by what it makes of all that the branches tell.

What tells of fields and numbers is soon known by heart, by every training in a way of its own: the
mean of several trainings errs less than any of them. Members hear the same branches, are asked one
by one while they learn, and what is given is the mean of what they say: most of that gain for the
price of one training (MEASURED, "Members who judge").
"""

from collections.abc import Callable
from typing import Any

from torch import nn

from classifier.vocabulary import KEYS


def fuses(told: int, features: int, dropout: float, members: int) -> nn.Module:
    """From all that the branches tell, `told` numbers, to `features` numbers in all; of several
    members each makes its share of them."""

    def one() -> nn.Sequential:
        return nn.Sequential(
            nn.LayerNorm(told),
            nn.Dropout(dropout),
            nn.Linear(told, 2 * features // members),
            nn.ReLU(inplace=True),
            nn.Linear(2 * features // members, features // members),
        )

    return _of(members, one)


def heads(features: int, numbers: int, members: int) -> nn.Module:
    """From each member's share of `features`, and `numbers` beside, to a logit per fault."""

    def one() -> nn.Sequential:
        return nn.Sequential(
            nn.ReLU(),
            nn.Linear(features // members + numbers, hidden(features, members) // members),
            nn.ReLU(),
            nn.Linear(hidden(features, members) // members, len(KEYS)),
        )

    return _of(members, one)


def hidden(features: int, members: int) -> int:
    """Numbers that all heads together judge by. Of as many as one head has, each of several would
    have few; twice as many, and the weights of all would take more than 16 MiB."""
    return features if members == 1 else 3 * features // 2


def each(module: Any) -> list[Any]:
    """The members of what `fuses` or `heads` gave."""
    return list(module) if isinstance(module, nn.ModuleList) else [module]


def _of(members: int, one: Callable[[], nn.Sequential]) -> nn.Module:
    # One alone has the names that its weights had before there could be more.
    return one() if members == 1 else nn.ModuleList(one() for _ in range(members))
