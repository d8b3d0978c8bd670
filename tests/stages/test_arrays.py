"""An array that grows at its end holds what was put there, and no more than that."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor import arrays
from auditor.arrays import Gathered, LargestInBins, frames_per_bin


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


@pytest.mark.parametrize("lengths", [[0], [5], [8], [9], [3, 0, 6, 8], [1] * 70, [257], [32, 1]])
def test_bins_hold_the_largest_of_as_many_values_as_their_count_asks_for(
    lengths: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrays, "MOST_BINS", 8)
    parts = [np.random.default_rng(length).random(length).astype(np.float32) for length in lengths]
    binned = LargestInBins()
    for part in parts:
        binned.add(part)
    values = np.concatenate(parts)
    width = frames_per_bin(len(values), 8)
    found = binned.take()
    assert found.tolist() == [values[first : first + width].max() for first in range(0, len(values), width)]
    assert len(found) <= 8
    assert width == 1 or len(values) > 8 * width // 2
