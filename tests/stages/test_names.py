"""Every number that crosses a function's boundary carries its unit in its name."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "auditor"
UNITS = (
    "_v _a _w _ohm _hz _s _h _c _k _db _dbfs _dbu _dbtp _lufs _lm _m _m2 _mm _kg _ratio _k_per_w _j_per_k _w_per_k"
    " _j _a2s _per_k _ohm_per_k _per_s _per_unit _min _f _deg _g _t_m _mm_per_v _kbps"
).split()
# Bare numbers by nature, or by the field's own word.
BARE = {
    "cutoff",
    "divisor",
    "first",
    "exponent",
    "true_peak",
    "sample_peak",
    "share",
    "value",
    "limit",
    "low",
    "high",
    "position",
    "q",
    "total_q",
    "mechanical_q",
    "electrical_q",
    "full_scale_over_rail",
    "earliest",  # of `Opening`, which stands in fields that name the unit
    "latest",
    "alike",  # a count of parts, or infinite
}
# Synthesis and screen layout have their own languages: force, brightness, fill of a cell.
ELSEWHERE = ("demo", "report")


def _modules() -> list[Path]:
    return [path for path in sorted(PACKAGE.rglob("*.py")) if path.relative_to(PACKAGE).parts[0] not in ELSEWHERE]


def _is_float(annotation: ast.expr | None) -> bool:
    return annotation is not None and ast.unparse(annotation) in ("float", "float | None")


def _floats(tree: ast.AST) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            found += [(each.arg, each.lineno) for each in arguments if _is_float(each.annotation)]
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and _is_float(node.annotation):
            found.append((node.target.id, node.lineno))
    return found


@pytest.mark.parametrize("path", _modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_floats_are_named_with_their_unit(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nameless = [
        f"line {line}: {name}"
        for name, line in _floats(tree)
        if not name.endswith(tuple(UNITS)) and name not in BARE and f"_{name}" not in UNITS
    ]
    assert not nameless


def test_the_test_itself_finds_a_nameless_float() -> None:
    assert _floats(ast.parse("def f(voltage: float, power_w: float) -> None: ...")) == [("voltage", 1), ("power_w", 1)]
