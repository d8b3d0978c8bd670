"""What holds for every test: none reads or writes what the person who runs them has in their cache."""

from __future__ import annotations

import itertools

import pytest

_COUNT = itertools.count()


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of its own for each test, which is made only if something is kept."""
    monkeypatch.setenv("AUDITOR_CACHE_DIR", str(tmp_path_factory.getbasetemp() / f"cache{next(_COUNT)}"))
