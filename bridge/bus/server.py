"""The daemon's end of the bus. Nothing here waits: sends are dropped, receives return at once.

Messages are msgpack. State: one map on a PUB socket. Requests: a map ``{"request": NAME, ...}`` to a ROUTER
socket, one map back with ``ok`` and either the answer or ``error``. What makes no sense is answered with an
error or thrown away; sizes and numbers are bounded.
"""

from __future__ import annotations

import ipaddress
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgpack
import zmq

LARGEST_REQUEST = 4096
"""Bytes; more is thrown away by the socket itself."""
REQUESTS = ("calm", "resume", "keep", "state", "settings")
_AT_ONCE = 8
"""Requests answered in one poll; the rest waits for the next."""
ADDRESS_FILE = "bus.json"
Handler = Callable[[str, dict[str, Any]], dict[str, Any]]
"""Answers a request by name; may raise ValueError with a sentence for the asker."""


class BusRefused(ValueError):
    """An address that the bus does not open."""


class Bus:
    """Two sockets, bound while the object lives."""

    def __init__(self, host: str, state_port: int, request_port: int, folder: Path) -> None:
        """Bind both sockets and write where they are.

        Raises:
            BusRefused: `host` is not a loopback address.
            OSError: a port is taken (`zmq.ZMQError` is one).
        """
        if not ipaddress.ip_address(host).is_loopback:
            raise BusRefused(f"{host} is not a loopback address; the bus stays on this machine")
        self._context = zmq.Context()
        self._path = folder / ADDRESS_FILE
        self.refused = 0
        try:
            self._state = self._bind(zmq.PUB, host, state_port)
            self._requests = self._bind(zmq.ROUTER, host, request_port)
        except zmq.ZMQError:
            self._context.destroy(linger=0)
            raise
        self.endpoints = {
            "state": self._state.getsockopt_string(zmq.LAST_ENDPOINT),
            "requests": self._requests.getsockopt_string(zmq.LAST_ENDPOINT),
        }
        folder.mkdir(parents=True, exist_ok=True)
        self._path.write_text(json.dumps({"pid": os.getpid(), **self.endpoints}), encoding="utf-8")

    def _bind(self, kind: int, host: str, port: int) -> zmq.Socket[bytes]:
        socket: zmq.Socket[bytes] = self._context.socket(kind)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.SNDHWM, 64)
        socket.setsockopt(zmq.RCVHWM, 64)
        socket.setsockopt(zmq.MAXMSGSIZE, LARGEST_REQUEST)
        shown = f"[{host}]" if ":" in host else host
        if ":" in host:
            socket.setsockopt(zmq.IPV6, 1)
        socket.bind(f"tcp://{shown}:{port or '*'}")
        return socket

    def publish(self, state: dict[str, Any]) -> None:
        """Send the state to whoever listens; a slow listener misses some."""
        try:
            self._state.send(msgpack.packb(state), zmq.NOBLOCK)
        except zmq.Again:
            return

    def poll(self, handler: Handler) -> None:
        """Answer the requests that wait, a few at a time."""
        for _ in range(_AT_ONCE):
            try:
                parts = self._requests.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return
            answer = self._answer(parts[-1], handler)
            try:
                self._requests.send_multipart([*parts[:-1], msgpack.packb(answer)], zmq.NOBLOCK)
            except zmq.ZMQError:  # the asker is gone or does not read
                continue

    def _answer(self, payload: bytes, handler: Handler) -> dict[str, Any]:
        try:
            request = msgpack.unpackb(
                payload, max_str_len=1024, max_bin_len=1024, max_array_len=64, max_map_len=64, max_ext_len=0
            )
            name = request["request"] if isinstance(request, dict) else None
        except Exception:  # msgpack raises many kinds for garbage; none of them is ours to tell apart
            name = None
        if not isinstance(name, str) or name not in REQUESTS:
            self.refused += 1
            return {"ok": False, "error": f"a request is a map with 'request', one of {', '.join(REQUESTS)}"}
        try:
            return {"ok": True, **handler(name, request)}
        except ValueError as error:
            return {"ok": False, "error": str(error)}

    def close(self) -> None:
        """Release the ports."""
        self._context.destroy(linger=0)
        self._path.unlink(missing_ok=True)
