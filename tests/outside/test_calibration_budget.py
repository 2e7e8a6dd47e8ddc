"""Degrees of freedom, coverage factors, flags and classes against the GUM and other published figures."""

from __future__ import annotations

import math

import pytest
from published import rows, values
from torque_example import torque_example

from anviltrace.calibration.budget import Case, k_factor
from anviltrace.calibration.classes import indicate
from anviltrace.calibration.coverage import effective_dof
from anviltrace.calibration.outliers import grubbs_limit, stands_out
from anviltrace.calibration.quantities import find_quantities

H1 = values("gum_h1.toml")
COLUMNS = {"p68_27": 0.6827, "p90": 0.90, "p95": 0.95, "p95_45": 0.9545, "p99": 0.99, "p99_73": 0.9973}


def test_gum_h1_effective_degrees_of_freedom() -> None:
    """JCGM 100:2008, H.1.6: 16 by truncation, k = 2.92 and U = 93 nm for 99 %."""
    pairs = [(H1["component_nm"][name], H1["dof"][name]) for name in H1["component_nm"]]
    u_c = math.sqrt(sum(u**2 for u, _ in pairs))
    dof = effective_dof(pairs)
    assert u_c == pytest.approx(H1["results"]["u_c_nm"], abs=0.005)
    assert round(u_c) == 32
    assert dof == pytest.approx(H1["results"]["nu_eff"], abs=0.005)
    assert abs(dof - H1["results"]["nu_eff_rounded_u"]) > 0.5
    assert k_factor(dof, 0.99) == pytest.approx(H1["results"]["t_99_16"], abs=1e-7)
    assert k_factor(dof, 0.99) == k_factor(16.0, 0.99) > k_factor(17.0, 0.99)
    assert round(32.0 * k_factor(dof, 0.99)) == H1["results"]["expanded_99_nm"]


def test_gum_table_g2() -> None:
    """JCGM 100:2008, table G.2, all columns and rows."""
    table = rows("gum_table_g2.csv")
    assert len(table) == 23
    for row in table:
        for column, probability in COLUMNS.items():
            assert k_factor(row["nu"], probability) == pytest.approx(row[column], abs=0.0051)
        assert k_factor(row["nu"]) == pytest.approx(row["k_95_45_6dp"], abs=5.1e-7)


def test_infinite_degrees_change_nothing() -> None:
    assert effective_dof([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    assert effective_dof([(1.0, 4.0), (1.0, math.inf)]) == pytest.approx(16.0)


def test_grubbs_critical_values() -> None:
    table = rows("grubbs.csv")
    assert len(table) == 20
    for row in table:
        n = int(row["n"])
        assert grubbs_limit(n) == pytest.approx(row["two_sided_0.05"], abs=5.1e-5)
        assert grubbs_limit(n, two_sided=False) == pytest.approx(row["one_sided_0.05"], abs=5.1e-5)
        assert grubbs_limit(n, 0.01, two_sided=False) == pytest.approx(row["one_sided_0.01"], abs=5.1e-5)


def test_grubbs_example() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.5.17.1, data of Tietjen and Moore: 245.57 is an outlier, G = 2.4687."""
    data = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    assert stands_out(data) == 7
    assert stands_out(data[:-1]) is None
    mean = sum(data) / 8
    spread = math.sqrt(sum((value - mean) ** 2 for value in data) / 7)
    assert (245.57 - mean) / spread == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_limit(8, two_sided=False) == pytest.approx(2.0317, abs=5e-5)


def test_class_of_the_torque_example() -> None:
    """By the table from memory; a check of our arithmetic, not of the table."""
    wanted = values("torque_example.toml")["class_by_memory_table"]
    found = find_quantities(torque_example())
    rising, both = indicate(found, Case.RISING, None), indicate(found, Case.BOTH, None)
    assert rising.by_quantity == {symbol: wanted[name] for symbol, name in
                                  (("b'", "b_rep"), ("b", "b"), ("fa", "fa"), ("f0", "f0"))}  # fmt: skip
    assert rising.overall == wanted["overall_increasing_only"]
    assert both.by_quantity["h"] == wanted["h"]
    assert both.overall == wanted["overall_with_h"]
    assert indicate(found, Case.BOTH, 0.14).overall == "1"  # the reference must be five times better
    assert indicate(found, Case.BOTH, 1.5).why_none == "beyond class 5 by W"


def test_slopes_of_the_torque_example() -> None:
    wanted, found = values("torque_example.toml"), find_quantities(torque_example())
    assert found.rising_counts_per_nm == pytest.approx(wanted["line_through_zero"]["slope"], rel=1e-13)
    both = wanted["line_through_zero_up_and_down"]["slope"]
    assert found.both_counts_per_nm == pytest.approx(both, rel=1e-12)
