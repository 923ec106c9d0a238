import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import linear_sum_assignment

from retro.assignment import assign

COSTS = st.tuples(st.integers(1, 7), st.integers(0, 4)).flatmap(
    lambda shape: arrays(float, (shape[0], sum(shape)), elements=st.floats(-50, 50))
)


@given(COSTS)
def test_an_independent_solver_finds_nothing_cheaper(costs):
    columns = assign(costs.tolist())
    assert len(set(columns)) == len(columns) == len(costs)
    rows, best = linear_sum_assignment(costs)
    assert costs[np.arange(len(costs)), columns].sum() == pytest.approx(
        costs[rows, best].sum(), abs=1e-9
    )


def test_nobody_needs_nothing():
    assert assign([]) == []
