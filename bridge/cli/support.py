"""Panel *Support*: check, explain."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.cli import exit_codes
from bridge.cli.common import fail, show_json


def check(
    path: Annotated[Path, typer.Argument(help="Settings, layout, plugin or recording.")],
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say what a file is, whether it is whole, and what to mend."""
    from bridge.cli.checking import examine  # noqa: PLC0415 - keeps --help quick

    found = examine(path)
    if as_json:
        show_json(found._asdict())
    else:
        print(f"{path}: {found.kind}")
        for line in found.facts:
            print(f"  {line}")
        for line in found.problems:
            print(f"  to mend: {line}")
        print("  whole" if not found.problems else f"  {len(found.problems)} to mend")
    raise typer.Exit(exit_codes.PROBLEM if found.problems else exit_codes.OK)


def explain(
    log: Annotated[Path | None, typer.Argument(help="A log file; default: the newest of yours.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Turn a log into a page: what ran, what went wrong, why probably, what to ask and do."""
    from bridge.log.explain import explain_file  # noqa: PLC0415 - keeps --help quick
    from bridge.log.setup import FILE_NAME  # noqa: PLC0415 - as above
    from bridge.settings import places  # noqa: PLC0415 - as above

    path = log or places.log_folder() / FILE_NAME
    if not path.is_file():
        fail(f"there is no log {path}; name one, or run 'draglink run' first")
    page = explain_file(path)
    if as_json:
        show_json(page.data())
    else:
        print(page.text())


COMMANDS = (check, explain)
