"""The simulated sensor against the photon-transfer law and the noise of rounding."""

import pytest
import torch

from synth.sensor import Readout, read_out, smear


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
