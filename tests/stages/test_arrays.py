"""An array that grows at its end holds what was put there, and no more than that."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from auditor.arrays import Gathered


@given(lengths=st.lists(st.integers(0, 9000), max_size=12), width=st.sampled_from([(), (3,)]))
def test_all_rows_in_their_order(lengths: list[int], width: tuple[int, ...]) -> None:
    rng = np.random.default_rng(1)
    parts = [rng.standard_normal((length, *width)).astype(np.float32) for length in lengths]
    gathered = Gathered(width, np.float32)
    for part in parts:
        gathered.add(part)
    taken = gathered.take()
    np.testing.assert_array_equal(taken, np.concatenate([np.empty((0, *width), np.float32), *parts]))
    assert taken.dtype == np.float32
    assert len(gathered.take()) == 0


def test_it_begins_anew_and_leaves_alone_what_was_taken() -> None:
    gathered = Gathered((), np.float32)
    gathered.add(np.arange(5000, dtype=np.float32))
    first = gathered.take()
    gathered.add(np.full(7000, -1.0, dtype=np.float32))
    np.testing.assert_array_equal(first, np.arange(5000))
    assert gathered.take().sum() == -7000.0
