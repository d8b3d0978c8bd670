"""Every module of this folder lists its oracles as CHECKS; each becomes two tests, agreement and power."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test that asks for a `check` once for each oracle of its module."""
    if "check" in metafunc.fixturenames:
        checks = metafunc.module.CHECKS
        metafunc.parametrize("check", checks, ids=[check.quantity.replace(" ", "_") for check in checks])
