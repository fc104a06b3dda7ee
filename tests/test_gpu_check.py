"""The check of a GPU against the CPU: it sees differences, and there are none too large."""

import importlib.util
from pathlib import Path

import pytest
import torch

BENCHMARKS = Path(__file__).parent / "benchmarks"


@pytest.fixture(scope="module")
def check():
    spec = importlib.util.spec_from_file_location("gpu_check", BENCHMARKS / "gpu_check.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA device")
def test_a_gpu_gives_what_the_cpu_gives(check):
    wrong = [row for row in check.differences("cuda") if not row.is_fine]
    assert not wrong, wrong


def test_equal_light_is_fine_and_a_per_mille_too_much_is_not(check, monkeypatch):
    planned = check._every_fault(False)
    rows = list(check._of_light("mono", planned, "cpu"))
    assert [row.worst for row in rows] == [0.0] * len(rows)
    real, calls = check.expected_electrons, []

    def brighter_the_second_time(plan, device):
        calls.append(device)
        return real(plan, device) * (1.001 if len(calls) == 2 else 1.0)

    monkeypatch.setattr(check, "expected_electrons", brighter_the_second_time)
    rows = {row.stage: row for row in check._of_light("mono", planned, "cpu")}
    assert not rows["mono: all light"].is_fine
    assert rows["mono: star layer"].is_fine


def test_wrong_noise_is_seen(check, monkeypatch):
    # A twentieth too little spread, the mean as it should be.
    real = check.shot_noise
    monkeypatch.setattr(
        check,
        "shot_noise",
        lambda light, generator: light + 0.95 * (real(light, generator) - light),
    )
    rows = {row.stage: row.is_fine for row in check._of_noise("cpu")}
    assert rows["read-out, 100 e"]
    assert not rows["tiles' shot noise, 100 e"]
