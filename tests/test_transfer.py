"""Numbers arrive on the device as they were, whatever the sizes of a table's arrays."""

import numpy as np
import torch

from synth.transfer import moved, sent


def test_a_table_arrives_whole():
    rng = np.random.default_rng(1)
    shapes = {"one": (1,), "none": (0, 3), "much": (7, 5, 9), "line": (64,), "last": (65,)}
    table = {name: rng.normal(size=shape).astype(np.float32) for name, shape in shapes.items()}
    there = sent(table, "cpu")
    assert list(there) == list(table)
    for name, values in table.items():
        np.testing.assert_array_equal(there[name].numpy(), values)


def test_lists_become_float32_and_arrays_keep_their_kind():
    assert torch.equal(moved([0.1, 2.0], "cpu"), torch.tensor([0.1, 2.0]))
    assert moved(np.array([2**40]), "cpu").tolist() == [2**40]
    assert moved(np.array([True, False]), "cpu").dtype == torch.bool
