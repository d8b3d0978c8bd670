"""What the compiled loops share, against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.kernels import largest_of_groups


@pytest.mark.parametrize("count", [1, 2, 7, 32, 500])
@pytest.mark.parametrize("length", [0, 1, 31, 32, 33, 100])
def test_largest_of_groups(length: int, count: int) -> None:
    values = np.random.default_rng(4).normal(size=length).astype(np.float32)
    found = largest_of_groups(values, count)
    assert found.dtype == np.float32
    expected = [values[first : first + count].max() for first in range(0, length, count)]
    np.testing.assert_array_equal(found, np.array(expected, dtype=np.float32))
