"""Whole screens of help and the list of parts, as they stand at 80 and 120 columns.

After a change that is meant, `UPDATE_SCREENS=1 pytest tests/cli/test_screens.py` writes them anew; read the difference.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.cli.harness import run

SCREENS = Path(__file__).with_name("screens")
COMMANDS = ("--help", "check --help", "rig --help", "parts --help", "parts")


@pytest.mark.parametrize("columns", [80, 120])
@pytest.mark.parametrize("command", COMMANDS)
def test_screen(command: str, columns: int) -> None:
    result = run(*command.split(), env={"COLUMNS": str(columns)})
    assert (result.status, result.err) == (0, "")
    assert max(map(len, result.out.splitlines())) <= columns
    path = SCREENS / f"{command.replace(' ', '').replace('--', '-').lstrip('-')}-{columns}.txt"
    if os.environ.get("UPDATE_SCREENS"):
        path.write_text(result.out, encoding="utf-8")
    assert result.out == path.read_text(encoding="utf-8")
