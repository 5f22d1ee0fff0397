"""The matrix exponential against an independent routine and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm as reference

from sim.expm import expm


@given(seed=st.integers(0, 2**32 - 1), size=st.integers(1, 20), log10_norm=st.floats(-6, 3))
def test_agrees_with_an_independent_routine_for_what_networks_are_made_of(seed, size, log10_norm):
    rates = np.random.default_rng(seed).random((size, size)) * 10**log10_norm
    matrix = rates - np.diag(np.diag(rates) + rates.sum(axis=1))  # off the diagonal >= 0, rows that decay
    assert expm(matrix) == pytest.approx(reference(matrix), rel=1e-11, abs=1e-12)


def test_of_nothing_is_the_identity():
    assert expm(np.zeros((3, 3))).tolist() == np.eye(3).tolist()


def test_a_rotation_comes_back_after_a_full_turn():
    turn = np.array([[0.0, -2 * math.pi], [2 * math.pi, 0.0]])
    assert expm(turn) == pytest.approx(np.eye(2), abs=1e-13)


def test_a_chain_gives_the_terms_of_the_poisson_distribution():
    # A node that passes on what it holds: exp(-a) a^k / k!
    passes_on = 3.0 * (np.diag(np.ones(5), -1) - np.eye(6))
    assert expm(passes_on)[:, 0] == pytest.approx([math.exp(-3.0) * 3.0**k / math.factorial(k) for k in range(6)])
