"""What the trials are judged by."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.equilibrium.trials import lower_limit


@pytest.mark.parametrize(("hits", "of"), [(949, 1000), (121, 125), (1, 10), (40, 41)])
def test_at_the_lower_limit_so_many_hits_are_as_rare_as_it_says(hits: int, of: int) -> None:
    """The definition of Clopper and Pearson (1934)."""
    limit = lower_limit(hits, of)
    assert limit < hits / of
    assert binom.sf(hits - 1, of, limit) == pytest.approx(0.01, rel=1e-6)


def test_the_ends() -> None:
    assert lower_limit(0, 10) == 0.0
    assert lower_limit(10, 10) == pytest.approx(0.01 ** (1 / 10))
