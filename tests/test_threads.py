"""Threads of the numerical libraries while frames are examined, as threadpoolctl counts them."""

from types import SimpleNamespace

import numpy as np
import pytest
import torch
from threadpoolctl import threadpool_info, threadpool_limits

from classifier import crew


def threads() -> list[int]:
    return [pool["num_threads"] for pool in threadpool_info()] + [torch.get_num_threads()]


def test_one_process_examines_with_one_thread_and_gives_the_others_back(monkeypatch, tmp_path):
    _ = np.ones((2, 2)) @ np.ones((2, 2))  # its library is loaded
    with threadpool_limits(2):
        torch.set_num_threads(2)
        before = threads()
        if max(before) < 2:
            pytest.skip("these libraries have one thread only")
        monkeypatch.setattr(crew, "examine", lambda *_: threads())
        files = [(tmp_path / "a.fits", "a.fits")]
        (seen,) = crew.examine_all(files, None, SimpleNamespace(), 1)
        assert set(seen) == {1}
        assert threads() == before
