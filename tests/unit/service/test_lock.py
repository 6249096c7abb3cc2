from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.service.lock import AlreadyRunning, InstanceLock

HOLD = """
import sys
from pathlib import Path
from bridge.service.lock import InstanceLock
lock = InstanceLock(Path(sys.argv[1]))
lock.acquire()
print("held", flush=True)
sys.stdin.read()
"""


def test_a_second_process_is_refused_with_the_pid_of_the_first(tmp_path: Path) -> None:
    path = tmp_path / "run" / "lock"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(AlreadyRunning, match=str(holder.pid)) as caught:
            InstanceLock(path).acquire()
        assert caught.value.pid == holder.pid
        holder.kill()
    again = InstanceLock(path)
    again.acquire()  # the system dropped the dead one's lock
    assert path.read_text(encoding="ascii").strip() == str(os.getpid())
    again.release()
    again.release()
    assert path.read_text(encoding="ascii") == ""


def test_a_stale_file_with_nonsense_does_not_block(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    path.write_text("nonsense", encoding="ascii")
    lock = InstanceLock(path)
    lock.acquire()
    lock.release()
