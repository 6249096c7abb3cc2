"""The conformance suite over every plugin that is found; a plugin without a case here fails."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.contract import Command, Frame, Sink, Source, StreamingSource, Tick, WheelState
from bridge.hosting.importing import make_settings
from bridge.hosting.index import PluginIndex
from bridge.recording.feed import Feed
from bridge.testing import check_settings, check_sink, check_source, check_streaming_source

INDEX = PluginIndex()


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "some.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(path)
    now = time.monotonic()
    for n in range(200):
        frames = ((now + n / 1000, Frame(n / 1000.0, n, speed=20.0, ay=1.0), b"raw"),) if n % 40 == 0 else ()
        feed.tick(Tick(now + n / 1000, now + n / 1000, frames, WheelState(now, 0.1), Command(now, n, 0.5)))
    feed.close()
    return path


@pytest.fixture
def block(tmp_path: Path) -> Iterator[str]:
    from tools.demo_sim.__main__ import Sim, _arguments  # noqa: PLC0415 - the sim is not part of the package

    name = f"draglink_contract_{os.getpid()}"
    sim = Sim(_arguments().parse_args(["--name", name, "--wheel", "", "--seconds", "1"]))
    yield name
    sim.close()


@pytest.fixture
def tables(recording: Path, block: str, tmp_path: Path) -> dict[str, dict[str, Any]]:
    return {
        "source shared_memory": {"layout": "saltmarsh", "name": block},
        "source udp": {"layout": "saltmarsh", "port": 0},
        "source file_replay": {"file": str(recording), "speed": 0.0},
        "sink null": {},
        "sink bench_wheel": {"name": f"draglink_contract_wheel_{os.getpid()}"},
        "sink haptic": {},
        "sink recorder": {"folder": str(tmp_path / "recordings")},
    }


@pytest.mark.parametrize("entry", INDEX.entries(), ids=lambda entry: f"{entry.kind}-{entry.name}")
async def test_every_plugin_keeps_the_contract(entry: Any, tables: dict[str, dict[str, Any]]) -> None:
    cls = INDEX.load(entry.kind, entry.name)
    settings = make_settings(cls, tables[f"{entry.kind} {entry.name}"])
    if issubclass(cls, StreamingSource):
        await check_streaming_source(cls, settings)
    elif issubclass(cls, Source):
        assert check_source(cls, settings), "its data was there, so frames must come"
    else:
        assert issubclass(cls, Sink)
        check_sink(cls, settings)


class _Careless(Source[Any]):
    """Breaks one rule at a time."""

    def read(self) -> Frame | None:
        return Frame(1.0, ay=2.0)  # not declared


def test_the_suite_finds_what_is_broken() -> None:
    from bridge.contract import PluginSettings  # noqa: PLC0415 - only here

    with pytest.raises(AssertionError, match="MUST declare what it fills"):
        check_source(_Careless, PluginSettings())
    with pytest.raises(AssertionError, match="MUST derive from PluginSettings"):
        check_settings(type("Bad", (), {"Settings": dict, "__doc__": "bad"}))
