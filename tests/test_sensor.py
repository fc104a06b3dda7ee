"""The simulated sensor against the photon-transfer law and the noise of rounding."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from frame_of_one_rig import scene
from scipy.signal import lfilter

from synth import sensor
from synth.defects import response_rms
from synth.generate import render_scenes
from synth.sensor import Readout, drag, read_out, smear, spill


def readout(gain: float, read_noise: float, well: float = 1e9, top: float = 1e9) -> Readout:
    def one(value: float) -> torch.Tensor:
        return torch.tensor([value])

    return Readout(
        one(gain), one(read_noise), one(500.0), one(well), one(top), one(0.0), torch.tensor([False])
    )


def frame(electrons: float, sensor: Readout) -> torch.Tensor:
    generator = torch.Generator().manual_seed(3)
    return read_out(torch.full((1, 1000, 1000), electrons), sensor, generator)[0]


def test_photon_transfer():
    # var = mean / g + (R / g)^2 + 1/12 (Janesick 2001, from memory; rounding 1/sqrt 12 ADU as in
    # the ACS Data Handbook 4.2). A million pixels know a variance to 0.14 %: four sigma.
    gain, noise = 0.25, 3.0
    for electrons in (0.0, 100.0, 1000.0):
        values = frame(electrons, readout(gain, noise)).double()
        assert float(values.mean()) == pytest.approx(500 + electrons / gain, abs=0.6)
        expected = electrons / gain**2 + (noise / gain) ** 2 + 1 / 12
        assert float(values.var()) == pytest.approx(expected, rel=0.006)


def test_rounding_noise_alone():
    # 0.288675 ADU; read noise of 0.6 ADU spreads values over several steps.
    values = frame(0.0, readout(1.0, 0.6)).double()
    assert float(values.var()) == pytest.approx(0.6**2 + 1 / 12, rel=0.01)


def test_full_well_and_converter_clip():
    assert float(frame(5000.0, readout(1.0, 1.0, well=1000.0)).mean()) == pytest.approx(1500, abs=1)
    assert float(frame(5000.0, readout(1.0, 1.0, top=4095.0)).max()) == 4095


def test_lines_of_a_sensor_have_their_noise():
    # Row offsets of 2 e differ from frame to frame, column offsets of 3 e do not; 1 e/ADU. Means
    # over 500 pixels of read noise 1 leave 0.045; half of the variance is in some 21 bands, so
    # sigmas scatter by about 10 %.
    sensor = Readout(
        *(torch.tensor([v, v]) for v in (1.0, 1.0, 500.0, 1e9, 1e9, 0.0)),
        torch.tensor([False, False]), torch.tensor([2.0, 2.0]), torch.tensor([3.0, 3.0]),
    )  # fmt: skip
    generator = torch.Generator().manual_seed(5)
    values = read_out(torch.zeros(2, 500, 500), sensor, generator).double() - 500
    rows, columns = values.mean(2), values.mean(1)
    assert float(rows[0].std()) == pytest.approx(2.0, rel=0.3)
    assert float(columns[0].std()) == pytest.approx(3.0, rel=0.3)
    together = torch.corrcoef(torch.stack((columns[0], columns[1])))[0, 1]
    apart = torch.corrcoef(torch.stack((rows[0], rows[1])))[0, 1]
    assert float(together) > 0.98
    assert abs(float(apart)) < 0.35


def test_smear_spreads_a_column_over_itself():
    # A star of 1,000 e in a column of 50: each pixel of it gets 0.01 x 1,000 / 50.
    light = torch.zeros(2, 50, 20)
    light[:, 10, 7] = 1000.0
    smear(light, [0.01, 0.0])
    assert float(light[0, 30, 7]) == pytest.approx(0.2)
    assert float(light[0, :, 8].abs().max()) == 0.0
    assert float(light[1].sum()) == 1000.0


def wide_readout(sensors: list[int], **more: torch.Tensor) -> Readout:
    frames = len(sensors)
    values = (1.0, 1.0, 500.0, 1e9, 1e9, 0.01)
    return Readout(
        *(torch.full((frames,), value) for value in values),
        torch.zeros(frames, dtype=torch.bool),
        **more,
        sensor=sensors,
    )


def likeness(one: torch.Tensor, other: torch.Tensor) -> float:
    return float(torch.corrcoef(torch.stack((one.flatten(), other.flatten())))[0, 1])


def test_pixels_of_one_sensor_answer_alike_whenever_they_are_read():
    # 1e6 e and 1 % PRNU: the pattern has 10,000 e rms, shot noise 1,000. Two frames of one sensor
    # correlate by 1 / (1 + 0.01) = 0.990, of different ones by 0 +- 1 / sqrt(40,000).
    light = torch.full((3, 200, 200), 1e6)
    first = read_out(light, wide_readout([7, 7, 8]), torch.Generator().manual_seed(1)).double()
    again = read_out(light[:2], wide_readout([8, 7]), torch.Generator().manual_seed(2)).double()
    for one, other in ((first[0], first[1]), (first[0], again[1]), (first[2], again[0])):
        assert likeness(one, other) == pytest.approx(1 / 1.01, abs=0.002)
        # What differs is shot noise: sqrt 2 times that of one frame (4 sigma of 40,000 pixels).
        assert float((one - other).std()) == pytest.approx(2**0.5 * 1000.5, rel=0.015)
    assert abs(likeness(first[0], again[0])) < 0.025


def test_bright_light_is_limited_by_the_response():
    # Photon transfer, log sigma over log signal: slope 1/2 where shot noise rules, 1 where the
    # response does (Janesick 2001, from memory). 1 %: the two meet at 10,000 e. Shares of the other
    # term at the ends bend the slope by 1e-3 and 0.5e-3; a spread is known to 0.35 %.
    def sigma(electrons: float) -> float:
        light = torch.full((1, 200, 200), electrons)
        return float(read_out(light, wide_readout([3]), torch.Generator().manual_seed(4)).std())

    slope = torch.log10(torch.tensor([sigma(2e7) / sigma(2e6), sigma(100.0) / sigma(10.0)]))
    assert float(slope[0]) == pytest.approx(1.0, abs=0.01)
    assert float(slope[1]) == pytest.approx(0.5, abs=0.03)


def test_columns_of_one_sensor_keep_their_offsets():
    noise = torch.tensor([3.0, 3.0])
    dark = torch.zeros(2, 400, 300)
    values = [
        read_out(
            dark, wide_readout(sensors, column_noise_e=noise), torch.Generator().manual_seed(s)
        )
        for s, sensors in enumerate(([5, 6], [6, 5]))
    ]
    columns = [each.mean(1) for each in values]  # read noise of 1 e leaves 0.05
    assert likeness(columns[0][0], columns[1][1]) > 0.99
    assert likeness(columns[0][1], columns[1][0]) > 0.99
    assert abs(likeness(columns[0][0], columns[0][1])) < 0.4


def test_a_run_keeps_its_sensor_in_every_batch():
    # The same scene as frame 0 of one batch and frame 1 of another, at 20,000 e of sky: what is
    # left after the mean of neighbours is shot noise (0.7 %) and the response.
    base = scene(sky_mag=21.0, field_seed=11)
    base = replace(base, exposure_s=20_000 / base.rig.sky_e_s(21.0))
    rms = response_rms(base)
    other = replace(base, field_seed=12)
    one = render_scenes([base, other], 5, 0).pixels
    two = render_scenes([other, base], 6, 3).pixels
    inner = (slice(20, -20), slice(20, -20))
    shot2 = 1 / 20_000
    assert 0.002 < rms < 0.01
    same = likeness(one[0][inner].clamp_max(45_000), two[1][inner].clamp_max(45_000))
    assert same == pytest.approx(rms**2 / (rms**2 + shot2), abs=0.04)
    assert abs(likeness(one[0][inner].clamp_max(45_000), two[0][inner].clamp_max(45_000))) < 0.03


@pytest.mark.parametrize("axis", [0, 1])
def test_charge_left_behind_trails_one_way_as_an_exponential(axis):
    # Outside reference: scipy.signal.lfilter, the recursion that leaves exp(-1 / L) of the late
    # charge at every step; the kernel ends after 5 L, where 0.7 % are left.
    share, length_px = 0.2, 6.0
    light = torch.zeros(2, 80, 80)
    light[:, 20, 20] = 1000.0
    before = light.clone()
    drag(light, [(0.0, length_px, axis), (share, length_px, axis)])
    assert torch.equal(light[0], before[0])
    assert float(light[1].sum()) == pytest.approx(1000, rel=1e-5)
    late = np.exp(-1 / length_px)
    pulse = np.zeros(80)
    pulse[21] = 1000 * share * (1 - late)
    wanted = lfilter([1.0], [1.0, -late], pulse)
    wanted[20] = 1000 * (1 - share)
    line = light[1][:, 20] if axis == 0 else light[1][20]
    assert line[:50].numpy() == pytest.approx(wanted[:50], rel=0.01, abs=1e-3)
    assert float(line[:20].abs().max()) == 0


def test_a_full_well_spills_to_the_side_that_its_sensor_has():
    # Closed form: 5 wells in one pixel fill itself and the next 4; all of it stays in the column.
    light = torch.zeros(3, 41, 5)
    light[:, 20, 2] = 500.0
    well, blooms = torch.full((3,), 100.0), torch.tensor([True, True, True])
    full = spill(light, well, blooms, up_share=torch.tensor([1.0, 0.0, 0.5]))
    assert full.sum((1, 2)).tolist() == pytest.approx([500.0] * 3)
    assert full[0, 16:21, 2].tolist() == pytest.approx([100.0] * 5)
    assert full[1, 20:25, 2].tolist() == pytest.approx([100.0] * 5)
    assert torch.allclose(full[2], full[2].flip(0))
    assert float(full[:, :, [0, 1, 3, 4]].sum()) == 0


def test_offsets_of_lines_have_their_sigma_and_now_and_then_a_step():
    generator = torch.Generator().manual_seed(4)
    lines = sensor._lines(4000, 240, generator).numpy()
    # rms over frames at every line: 4,000 draws are good to 1.2 % each, more where a step's two
    # values are far apart.
    rms = np.sqrt((lines**2).mean(0))
    assert rms.mean() == pytest.approx(1.0, abs=0.02)
    assert np.abs(lines.mean(0)).max() < 0.1
    # A step at the best place explains half of the variance or more in some frames, in most little.
    away = lines - lines.mean(1, keepdims=True)
    sums, n = np.cumsum(away, 1)[:, 11:-12], np.arange(12, 229)
    explained = (sums**2 * (1 / n + 1 / (240 - n)) / (away**2).sum(1, keepdims=True)).max(1)
    assert 0.15 < (explained > 0.6).mean() < 0.5
    assert (explained < 0.3).mean() > 0.3
