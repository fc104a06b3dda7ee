"""The simulated sensor against the photon-transfer law and the noise of rounding."""

import pytest
import torch

from synth.sensor import Readout, read_out


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
