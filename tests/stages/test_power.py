"""Mean power over time: a sine's, a stretch's, the last short step's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from auditor.programme.power import powers
from tests.stages.signals import tone, write_wav


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000])
def test_full_scale_sine_is_nought(tmp_path: Path, rate_hz: int) -> None:
    found = powers(write_wav(tmp_path / "a.wav", tone(rate_hz, 997.0, 3.33), rate_hz))
    assert found.duration_s == pytest.approx(3.33)
    assert found.level_dbfs(0, start_s=0.0, end_s=3.33) == pytest.approx(0.0, abs=0.01)


def test_stretch_of_one_channel(tmp_path: Path) -> None:
    left = np.concatenate([np.full(48_000, 0.1), np.full(48_000, 0.4), np.zeros(48_000 * 14)])
    found = powers(write_wav(tmp_path / "a.wav", np.stack([left, np.zeros_like(left)], axis=1), 48_000))
    expected_db = 10.0 * np.log10(2.0 * (0.1**2 * 0.5 + 0.4**2 * 0.25) / 0.75)
    assert found.level_dbfs(0, start_s=0.5, end_s=1.25) == pytest.approx(expected_db, abs=0.02)
    assert found.level_dbfs(1, start_s=0.0, end_s=2.0) is None
    assert found.level_dbfs(0, start_s=3.0, end_s=4.0) is None


def test_last_step_counts_for_its_own_length(tmp_path: Path) -> None:
    samples = np.concatenate([np.zeros(4_800), np.full(480, 0.5)])
    found = powers(write_wav(tmp_path / "a.wav", samples, 48_000))
    expected_db = 10.0 * np.log10(2.0 * 0.25 / 11.0)
    assert found.level_dbfs(0, start_s=0.0, end_s=found.duration_s) == pytest.approx(expected_db, abs=1e-3)
    assert found.level_dbfs(0, start_s=0.0, end_s=60.0) == pytest.approx(expected_db, abs=1e-3)
