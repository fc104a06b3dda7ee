"""Tables that are kept: made once for each shape, the least used forgotten."""

import torch

from classifier.kept_table import kept


def test_a_table_is_made_once_and_the_oldest_is_forgotten():
    made = []

    @kept(2)
    def table(size: int) -> torch.Tensor:
        """Its size in ones."""
        made.append(size)
        return torch.ones(size)

    assert table(3) is table(3) and made == [3]
    table(4), table(5), table(3)
    assert made == [3, 4, 5, 3]
    assert table.__doc__ == "Its size in ones."


def test_on_a_gpu_a_table_is_whole_before_anybody_has_it(monkeypatch):
    """Another thread's stream would not wait for the one that makes it."""
    done = []

    class Stream:
        def synchronize(self) -> None:
            done.append("waited")

    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    monkeypatch.setattr(torch.cuda, "is_initialized", lambda: True)
    monkeypatch.setattr(torch.cuda, "current_stream", Stream)

    @kept(1)
    def table() -> int:
        done.append("made")
        return 1

    assert table() == table() == 1
    assert done == ["made", "waited"]
