"""Combining independent estimates against JCGM 100:2008, example H.1 (calibration of an end gauge)."""

import math

import pytest

from calib.model.estimate import Estimate, combined, coverage_factor

L_S = 50_000_623.0  # nm


def est(value, u, dof=math.inf):
    return Estimate(name="x", value=value, u=u, dof=dof, unit="nm")


def end_gauge():
    """l = l_s + d - l_s (d_alpha theta + alpha_s d_theta), all lengths in nm."""
    d = combined("d", [(1, est(215, 5.8, 24)), (1, est(0, 3.9, 5)), (1, est(0, 6.7, 8))], "nm")
    d_alpha = est(0.0, 1e-6 / math.sqrt(3), 50)
    d_theta = est(0.0, 0.05 / math.sqrt(3), 2)
    parts = [(1, est(L_S, 25, 18)), (1, d), (L_S * 0.1, d_alpha), (-L_S * 11.5e-6, d_theta)]
    return d, combined("l", parts, "nm")


def test_h1_end_gauge():
    d, length = end_gauge()
    assert d.u == pytest.approx(9.68194, abs=5e-6)  # published 9.7
    assert d.dof == pytest.approx(25.45, abs=0.01)  # published 25.6, from the rounded u
    assert length.value == 50_000_838
    assert length.u == pytest.approx(31.6639, abs=5e-5)  # published 32
    assert length.dof == pytest.approx(16.75, abs=0.01)  # published 16, cut off
    # Published: U99 = 2.92 x 32 = 93 nm.
    assert coverage_factor(16, 0.99) == pytest.approx(2.92078, abs=5e-6)
    assert round(32 * coverage_factor(16, 0.99)) == 93


def test_what_is_known_exactly_has_no_degrees_of_freedom():
    total = combined("s", [(2.0, est(1.0, 0.3)), (1.0, est(5.0, 0.4))], "nm")
    assert total.value == 7.0
    assert total.u == pytest.approx(math.hypot(0.6, 0.4))
    assert total.dof == math.inf


def test_a_single_part_keeps_its_degrees_of_freedom():
    assert combined("s", [(3.0, est(1.0, 0.3, 7.0))], "nm").dof == pytest.approx(7.0)
