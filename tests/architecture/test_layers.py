"""Imports point one way; the contracts stand in pyproject.toml and are drawn by import-linter."""

from __future__ import annotations

from pathlib import Path

from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[2]


def test_imports_point_one_way() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0
