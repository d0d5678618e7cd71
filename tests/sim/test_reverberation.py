"""The classical reverberation formulas, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from sim.reverberation import air_time, eyring, eyring_absorption, sabine


@pytest.mark.parametrize(
    ("absorption", "by_sabine", "by_eyring"),
    [(0.1, 5.367, 5.094), (0.2, 2.683, 2.405), (0.3, 1.789, 1.505)],
)
def test_hand_values(absorption: float, by_sabine: float, by_eyring: float) -> None:
    """20 x 30 x 15 m without air, by 0.161 V / A on paper (0.161 is rounded: 0.2 %)."""
    volume, area = 9000.0, 2.0 * (600.0 + 450.0 + 300.0)
    values = np.array([absorption])
    none = np.zeros(1)
    assert sabine(volume, area, values, air=none)[0] == pytest.approx(by_sabine, rel=2e-3)
    assert eyring(volume, area, values, air=none)[0] == pytest.approx(by_eyring, rel=2e-3)


def test_air_shortens() -> None:
    """With air, the two absorptions add: 1/T = 1/T_walls + 1/T_air."""
    air = np.array([0.0, 0.02424])
    values = np.array([0.2, 0.2])
    time = eyring(9000.0, 2700.0, values, air=air)
    assert 1.0 / time[1] == pytest.approx(1.0 / time[0] + 1.0 / air_time(air[1:])[0], rel=1e-9)


def test_inverse() -> None:
    """The absorption asked for gives the time asked for."""
    air = np.array([1e-4, 1e-3, 7e-3])
    wanted = np.array([2.0, 1.7, 1.1])
    found = eyring_absorption(9000.0, 2700.0, wanted, air=air)
    np.testing.assert_allclose(eyring(9000.0, 2700.0, found, air=air), wanted, rtol=1e-12)
