"""A bench without any noise or scatter, and hands to run it."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from anviltrace.virtual.bench import Bench
from anviltrace.virtual.scenario import parse

PLAIN = {
    "converter": {"name": "ads1256", "excitation_v": 5.0},
    "transducer": {
        "rated_nm": 500.0,
        "sensitivity_mv_per_v_per_nm": 0.004,
        "natural_hz": 3400.0,
        "damping": 0.05,
    },
    "joint": {"kind": "held", "blow_stiffness_nm_per_rad": 8000.0},
    "site": {"gravity_m_per_s2": 9.81, "air_density_kg_per_m3": 1.2},
    "arms": {"long": {"length_m": 0.8}, "short": {"length_m": 0.5}},
    "masses": {"plate": {"mass_kg": 10.0}, "weight": {"mass_kg": 5.0}},
    "tools": {
        "plain": {
            "blow_energy_j": 10.0,
            "hammer_inertia_kgm2": 1e-3,
            "blows_per_s": 40.0,
            "nominal_v": 18.0,
            "current_a": 30.0,
        },
    },
    "supplies": {
        "mains": {"full_v": 18.0, "inner_ohm": 0.0},
        "pack": {"full_v": 20.0, "empty_v": 15.0, "capacity_ah": 0.5, "inner_ohm": 0.05},
    },
}


class Hands:
    """A bench whose values are fetched in pieces, one after the other, from one second after power-up."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.operator, self.truth = bench.operator, bench.truth
        self.at_s = 1.0
        made = bench.scenario
        self.counts_per_nm = made.converter.counts_per_mv_per_v * made.transducer.sensitivity_mv_per_v_per_nm

    def counts(self, seconds: float, piece: int = 1500) -> np.ndarray:
        """Values of the next ``seconds``."""
        left, pieces = round(seconds * self.bench.front_rate_hz), []
        while left > 0:
            pieces.append(self.bench.render(min(piece, left), self.at_s))
            self.at_s += pieces[-1].size / self.bench.front_rate_hz
            left -= pieces[-1].size
        return np.concatenate(pieces)

    def torque_nm(self, seconds: float) -> np.ndarray:
        """The same by the true sensitivity, zero and all else left in."""
        return self.counts(seconds) / self.counts_per_nm


@pytest.fixture
def hands():
    """Make hands for the plain bench with changes: ``hands(seed=1, joint={"kind": "fixed"})``."""

    def make(seed: int | None = 1, **changes) -> Hands:
        tables = copy.deepcopy(PLAIN)
        for table, values in changes.items():
            tables[table] = {**tables.get(table, {}), **values} if isinstance(values, dict) else values
        return Hands(Bench(parse(tables, "plain", "plain.toml"), seed))

    return make
