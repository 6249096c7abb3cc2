"""The bus: loopback only, never waits, survives anything that is sent to it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgpack
import pytest
import zmq
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.bus import Bus, BusClient, NoDaemon
from bridge.bus.server import BusRefused


class Served:
    """A bus that is polled by a thread, as the daemon's ticks do."""

    def __init__(self, folder: Path) -> None:
        self.bus = Bus("127.0.0.1", 0, 0, folder)
        self.asked: list[str] = []
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._end.wait(0.003):
            self.bus.poll(self._answer)
            self.bus.publish({"torque": 1.5})

    def _answer(self, name: str, request: dict[str, Any]) -> dict[str, Any]:
        self.asked.append(name)
        if name == "keep":
            raise ValueError("no recorder runs")
        return {"got": name}

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        self.bus.close()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path)
    yield served
    served.close()


def test_ask_and_listen(served: Served, tmp_path: Path) -> None:
    with BusClient(tmp_path) as client:
        assert client.ask("calm") == {"got": "calm"}
        with pytest.raises(ValueError, match="no recorder runs"):
            client.ask("keep")
        with pytest.raises(ValueError, match="one of calm"):
            client.ask("launch")
        assert client.next_state() == {"torque": 1.5}
    assert served.asked == ["calm", "keep"]


def test_nobody_there(tmp_path: Path) -> None:
    with pytest.raises(NoDaemon, match="draglink run"):
        BusClient(tmp_path)
    bus = Bus("127.0.0.1", 0, 0, tmp_path)
    with BusClient(tmp_path, timeout=0.05) as client, pytest.raises(NoDaemon, match="does not answer"):
        client.ask("state")
    bus.close()
    assert not (tmp_path / "bus.json").exists()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::"])
def test_only_loopback(host: str, tmp_path: Path) -> None:
    with pytest.raises(BusRefused, match="stays on this machine"):
        Bus(host, 0, 0, tmp_path)


def test_a_taken_port_is_an_error_that_leaves_nothing_open(tmp_path: Path) -> None:
    first = Bus("127.0.0.1", 0, 0, tmp_path / "a")
    port = int(first.endpoints["state"].rpartition(":")[2])
    with pytest.raises(zmq.ZMQError):
        Bus("127.0.0.1", port, 0, tmp_path / "b")
    first.close()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=300)
    | st.recursive(
        st.none() | st.integers(-5, 5) | st.text(max_size=5),
        lambda x: st.lists(x, max_size=4) | st.dictionaries(st.text(max_size=8), x, max_size=3),
    ).map(msgpack.packb)
)
def test_any_request_is_answered_or_thrown_away(served: Served, payload: bytes) -> None:
    context = zmq.Context()
    try:
        socket = context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.connect(served.bus.endpoints["requests"])
        socket.send(payload)
        assert socket.poll(2000)
        assert msgpack.unpackb(socket.recv())["ok"] in (True, False)
    finally:
        context.destroy(linger=0)


def test_a_huge_request_and_a_flood_do_no_harm(served: Served, tmp_path: Path) -> None:
    context = zmq.Context()
    socket = context.socket(zmq.DEALER)
    socket.setsockopt(zmq.LINGER, 0)
    socket.setsockopt(zmq.SNDHWM, 10)
    socket.connect(served.bus.endpoints["requests"])
    socket.send(b"x" * 1_000_000)
    for _ in range(2000):
        try:
            socket.send(b"flood", zmq.NOBLOCK)
        except zmq.Again:
            time.sleep(0.0005)
    context.destroy(linger=0)
    with BusClient(tmp_path, timeout=3.0) as client:
        assert client.ask("resume") == {"got": "resume"}
