"""The other end of the bus, for the command line and for other programs."""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgpack
import zmq

from bridge.bus.server import ADDRESS_FILE


class NoDaemon(Exception):
    """Nobody answers."""


class BusClient:
    """Asks a running daemon and listens to its state."""

    def __init__(self, folder: Path, timeout: float = 1.0) -> None:
        """Find the daemon by the file it leaves in its runtime folder.

        Raises:
            NoDaemon: there is none.
        """
        try:
            address = json.loads((folder / ADDRESS_FILE).read_text(encoding="utf-8"))
            self._endpoints = (str(address["state"]), str(address["requests"]))
        except (OSError, ValueError, KeyError, TypeError):
            raise NoDaemon("no daemon runs; start one with 'draglink run'") from None
        self._timeout = round(timeout * 1000)
        self._context = zmq.Context()
        self._listening: zmq.Socket[bytes] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def ask(self, request: str, **facts: object) -> dict[str, Any]:
        """Send one request and return the answer.

        Raises:
            NoDaemon: no answer within the timeout.
            ValueError: the daemon refused; with its reason.
        """
        socket: zmq.Socket[bytes] = self._context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        try:
            socket.connect(self._endpoints[1])
            socket.send(msgpack.packb({"request": request, **facts}))
            if not socket.poll(self._timeout):
                raise NoDaemon("the daemon does not answer; does it still run?")
            answer: dict[str, Any] = msgpack.unpackb(socket.recv())
        finally:
            socket.close()
        if not answer.pop("ok", False):
            raise ValueError(str(answer.get("error", "refused")))
        return answer

    def next_state(self) -> dict[str, Any] | None:
        """Wait for the next state message, at most the timeout."""
        if self._listening is None:
            self._listening = self._context.socket(zmq.SUB)
            self._listening.setsockopt(zmq.LINGER, 0)
            self._listening.setsockopt(zmq.CONFLATE, 1)
            self._listening.setsockopt(zmq.SUBSCRIBE, b"")
            self._listening.connect(self._endpoints[0])
        if not self._listening.poll(self._timeout):
            return None
        state: dict[str, Any] = msgpack.unpackb(self._listening.recv())
        return state

    def close(self) -> None:
        """Let go."""
        self._context.destroy(linger=0)
