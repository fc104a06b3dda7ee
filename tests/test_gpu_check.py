"""The check of a GPU against the CPU: it sees differences, and there are none too large."""

import pytest
import torch
from benchmark_module import load_benchmark


@pytest.fixture(scope="module")
def check():
    return load_benchmark("gpu_check")


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


def test_rounding_of_a_bright_star_is_allowed_near_it_only(check, monkeypatch):
    planned = check._every_fault(False)
    real = check.expected_electrons
    stars = check.star_layer(planned.stars, check.HEIGHT, check.WIDTH, "cpu")
    frame = int(stars.flatten(1).amax(1).argmax())
    y, x = divmod(int(stars[frame].argmax()), check.WIDTH)
    # A unit of float32's rounding of the peak, 100 px from it and in a frame of faint stars.
    faint = int(stars.flatten(1).amax(1).argmin())
    spots = {"near": (frame, y, x - 100 if x > 100 else x + 100), "faint": (faint, y, x)}
    unit = 2**-24 * float(stars.amax())
    assert unit > 0.3
    rows = {}
    for name, place in spots.items():
        calls = []

        def off_in_one_pixel(plan, device, place=place, calls=calls):
            calls.append(device)
            light = real(plan, device)
            light[place] += unit * (len(calls) == 2)
            return light

        monkeypatch.setattr(check, "expected_electrons", off_in_one_pixel)
        rows[name] = next(r for r in check._of_light("m", planned, "cpu") if "all" in r.stage)
    assert rows["near"].is_fine and rows["near"].worst > 0.1
    assert not rows["faint"].is_fine
    assert f"at x {x}, y {y} of the frame with" in rows["faint"].where


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


def test_stars_are_compared_by_their_places(check):
    generator = torch.Generator().manual_seed(4)
    facts = torch.rand(3, 64, 5, generator=generator)
    cutouts = torch.rand(3, 64, 8, 8, generator=generator)
    rows = torch.arange(3)[:, None]
    shuffled = torch.stack([torch.randperm(64, generator=generator) for _ in range(3)])
    assert not torch.equal(cutouts[rows, shuffled], cutouts)
    ordered = check._in_order(facts, cutouts[rows, shuffled], facts[rows, shuffled])
    assert torch.equal(ordered[0], cutouts) and torch.equal(ordered[1], facts)
