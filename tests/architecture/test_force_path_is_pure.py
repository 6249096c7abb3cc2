"""The force path and the contract do no I/O, and the force path rounds alike on every platform."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BANNED = {
    "asyncio", "ctypes", "datetime", "io", "multiprocessing", "numpy", "os", "pathlib", "queue", "random",
    "select", "secrets", "signal", "socket", "subprocess", "sys", "tempfile", "threading", "time", "_thread",
}  # fmt: skip
EXACT = {"sqrt", "isfinite", "copysign", "floor", "fabs", "factorial", "inf", "pi", "nan"}
"""What of `math` IEEE 754 fixes to the last bit, or is exact by nature."""
FORCE_PATH = sorted((ROOT / "bridge" / "force_path").rglob("*.py"))
CONTRACT = sorted((ROOT / "bridge" / "contract").rglob("*.py"))


def imports(tree: ast.AST) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def io_in(source: str, allowed: frozenset[str] = frozenset()) -> list[str]:
    names = {name.partition(".")[0] for name in imports(ast.parse(source))}
    return sorted((names & BANNED) - allowed)


def inexact_in(source: str) -> list[str]:
    tree = ast.parse(source)
    found = [
        name for name in imports(tree) if name.startswith("math.") and name.partition(".")[2] not in EXACT
    ]
    for node in ast.walk(tree):
        if isinstance(node, (ast.BinOp, ast.AugAssign)) and isinstance(node.op, ast.Pow):
            found.append(f"** in line {node.lineno}")
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "math":
            found += [f"math.{node.attr}"] if node.attr not in EXACT else []
        if isinstance(node, ast.Name) and node.id in ("pow", "open", "print", "hash", "id"):
            found.append(f"{node.id} in line {node.lineno}")
        if isinstance(node, ast.Set | ast.SetComp):
            found.append(f"a set in line {node.lineno}: its order depends on hashes")
    return found


@pytest.mark.parametrize("path", FORCE_PATH, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_force_path_is_sans_io_and_exact(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert io_in(source) == []
    assert inexact_in(source) == []
    ours = {name for name in imports(ast.parse(source)) if name.startswith("bridge")}
    assert all(name.startswith(("bridge.force_path", "bridge.contract")) for name in ours), ours


@pytest.mark.parametrize("path", CONTRACT, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_contract_does_no_io(path: Path) -> None:
    # plugin.py names Path and AsyncIterator in types only
    assert io_in(path.read_text(encoding="utf-8"), frozenset({"pathlib"})) == []


def test_the_check_itself_finds_what_it_bans() -> None:
    assert io_in("import time, socket") == ["socket", "time"]
    assert inexact_in("from math import tanh\nx = 2 ** 3\ny = math.sin(1)") != []
    assert inexact_in("from math import sqrt\nx = 2 * 3") == []


def test_only_the_chain_makes_commands_in_the_force_path() -> None:
    makers = [
        path.name
        for path in FORCE_PATH
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Command"
    ]
    assert makers == ["chain.py"]
