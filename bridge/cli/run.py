"""``draglink run``: the daemon in this terminal; and what other commands need to run one."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bridge.cli import exit_codes


def run_daemon(settings_path: Path | None, overrides: Mapping[str, Any] | None = None) -> int:
    """Run a session until it is told to stop; return the exit code.

    Args:
        settings_path: the file; `None` takes the user's own, or the defaults where there is none.
        overrides: dotted key -> value, laid over the file.
    """
    from bridge.service.daemon import CannotStart, Daemon  # noqa: PLC0415 - keeps --help quick
    from bridge.service.lock import AlreadyRunning  # noqa: PLC0415 - as above
    from bridge.settings import load_settings, places  # noqa: PLC0415 - as above

    path = settings_path or places.settings_file()
    if settings_path is None and not path.exists():
        print(
            f"No settings at {path} yet: the shipped ones count, with the virtual wheel. "
            "'draglink settings --write' makes a file of your own.",
            file=sys.stderr,
        )
        loaded = load_settings(places.shipped_config() / "default.toml", overrides)
    else:
        loaded = load_settings(path, overrides)
    if loaded.settings is None:
        for problem in loaded.problems:
            print(problem, file=sys.stderr)
        return exit_codes.PROBLEM
    try:
        Daemon(loaded, path, overrides or {}).run()
    except CannotStart as error:
        print(error, file=sys.stderr)
        return exit_codes.PROBLEM
    except AlreadyRunning as error:
        print(error, file=sys.stderr)
        return exit_codes.ALREADY_RUNNING
    except OSError as error:
        print(
            f"The daemon cannot start: {error}. Check rights and space of {places.runtime_folder()}.",
            file=sys.stderr,
        )
        return exit_codes.PROBLEM
    return exit_codes.OK
