"""The command line: one module a panel. Imports stay light here so that ``--help`` is quick."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from bridge.cli.app import run_app  # noqa: PLC0415 - importing the package must not cost a command line

    run_app()


__all__ = ["main"]
