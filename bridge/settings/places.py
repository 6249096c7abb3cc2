"""Where files go: the platform's usual places, or all under DRAGLINK_HOME (portable use, tests)."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import platformdirs

_NAME = "draglink"
_ESCAPED = re.compile(r"\\([0-7]{3})")
"""The table of mounts writes a space as ``\\040`` (proc_pid_mounts(5), fstab(5))."""
_NETWORK = frozenset(
    [
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "9p",
        "davfs",
        "afs",
        "ceph",
        "vboxsf",
        "vmhgfs",
        "fuse.sshfs",
        "fuse.gvfsd-fuse",
        "fuse.rclone",
        "fuse.vmhgfs-fuse",
        "fuse.davfs2",
        "fuse.glusterfs",
        "fuse.s3fs",
        "virtiofs",
        "prl_fs",
        "drvfs",
    ]
)
"""File systems of Linux whose changes made elsewhere send no notice here."""


def _home() -> Path | None:
    home = os.environ.get("DRAGLINK_HOME")
    return Path(home) if home else None


def settings_file() -> Path:
    """Return the user's settings file."""
    return config_folder() / "settings.toml"


def config_folder() -> Path:
    """Return the folder of the user's own settings, layouts (sims/), cars (cars/) and wheels (wheels/)."""
    home = _home()
    return home / "config" if home else Path(platformdirs.user_config_dir(_NAME, appauthor=False))


def log_folder() -> Path:
    """Return the folder of logs."""
    home = _home()
    return home / "log" if home else Path(platformdirs.user_log_dir(_NAME, appauthor=False))


def recordings_folder() -> Path:
    """Return the folder of recordings."""
    home = _home()
    return (
        home / "recordings"
        if home
        else Path(platformdirs.user_data_dir(_NAME, appauthor=False)) / "recordings"
    )


def runtime_folder() -> Path:
    """Return the folder of what belongs to a running daemon: lock, bus address, heartbeat."""
    home = _home()
    return home / "run" if home else Path(platformdirs.user_runtime_dir(_NAME, appauthor=False))


def shipped_config() -> Path:
    """Return the folder of the shipped data files: in the checkout, or inside the installed package."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_config"
    return installed if installed.is_dir() else package.parent / "config"


def find_config(kind: str, name: str, near: Path | None = None) -> Path:
    """Find a data file by a stem or a path.

    Args:
        kind: "sims", "cars" or "wheels".
        name: a stem ("saltmarsh"), or a path (with a slash or ending in .toml; relative to `near`).
        near: folder of the file that names it.

    Raises:
        FileNotFoundError: with the places searched and the names that exist.
    """
    if name.endswith(".toml") or "/" in name or "\\" in name:
        path = Path(name).expanduser()
        path = path if path.is_absolute() else (near or Path.cwd()) / path
        if path.is_file():
            return path
        raise FileNotFoundError(f"there is no file {path}")
    places = [config_folder() / kind, shipped_config() / kind]
    for place in places:
        path = place / f"{name}.toml"
        if path.is_file():
            return path
    there = sorted({file.stem for place in places if place.is_dir() for file in place.glob("*.toml")})
    raise FileNotFoundError(
        f"there is no {name!r} among {kind}; there are: {', '.join(there) or 'none'} "
        f"(searched {', '.join(map(str, places))})"
    )


def on_network(path: Path, mounts: Path = Path("/proc/mounts")) -> bool:
    """Return whether an absolute path lies on a file system that sends no notices.

    Linux: by the table of mounts. Windows: by the kind of drive. Elsewhere: no.
    """
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415 - only there

        remote = 4
        drive = f"{path.drive}\\"
        return str(path).startswith("\\\\") or ctypes.windll.kernel32.GetDriveTypeW(drive) == remote
    else:  # noqa: RET505 - mypy follows platform checks only through else
        return _mounted_as(path, mounts) in _NETWORK


def _mounted_as(path: Path, mounts: Path) -> str:
    """Return the kind of file system that a path lies on, by a table of mounts; nothing where unknown."""
    try:
        rows = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    best, kind = "", ""
    for row in rows:
        columns = row.split(" ")
        if len(columns) < 3:
            continue
        mount = _ESCAPED.sub(lambda code: chr(int(code.group(1), 8)), columns[1])
        inside = str(path) == mount or str(path).startswith(mount.rstrip("/") + "/")
        if inside and len(mount) >= len(best):
            best, kind = mount, columns[2]
    return kind
