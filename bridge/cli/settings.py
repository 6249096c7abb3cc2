"""Panel *Settings*: show, write, find, describe."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.cli import exit_codes
from bridge.cli.common import fail, show_json


def settings(
    file: Annotated[Path | None, typer.Argument(help="A settings file; default: your own.")] = None,
    write: Annotated[bool, typer.Option("--write", help="Write the commented default file.")] = False,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema for your editor.")] = False,
    path: Annotated[bool, typer.Option("--path", help="Print where your settings file is.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Effective settings in SI, for programs.")] = False,
) -> None:
    """Show the settings in force; write a commented file to start from."""
    from bridge.settings import places  # noqa: PLC0415 - keeps --help quick
    from bridge.settings.loading import json_safe, json_schema, load_settings  # noqa: PLC0415 - as above

    target = file or places.settings_file()
    if schema:
        show_json(json_schema())
    elif path:
        print(target)
    elif write:
        _write(target)
    else:
        loaded = load_settings(target if target.exists() or file else None)
        if loaded.settings is None:
            fail("\n".join(map(str, loaded.problems)))
        if as_json:
            show_json(json_safe(loaded.settings))
        else:
            print(f"# {loaded.file}, effective values, SI")
            print(_as_toml(json_safe(loaded.settings)))
    raise typer.Exit(exit_codes.OK)


def _write(target: Path) -> None:
    from bridge.settings import places  # noqa: PLC0415 - keeps --help quick

    if target.exists():
        fail(f"{target} exists already; it was not touched. Name another file, or edit that one.")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes((places.shipped_config() / "default.toml").read_bytes())
    print(f"Written: {target}. Save changes while the daemon runs; they apply at once.")


def _as_toml(data: dict[str, object]) -> str:
    import tomlkit  # noqa: PLC0415 - keeps --help quick

    return tomlkit.dumps({key: value for key, value in _given(data).items() if value != {}})


def _given(data: dict[str, object]) -> dict[str, object]:
    """TOML has no null: what is unset is left out."""
    return {
        key: _given(value) if isinstance(value, dict) else value
        for key, value in data.items()
        if value is not None
    }


COMMANDS = (settings,)
