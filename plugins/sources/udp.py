"""Receives records that the sim sends over UDP, through a layout.

Datagrams that wait are drained and only the newest counts, in the order of the sim's own clock. It listens
on loopback unless the settings say otherwise; anything that is not a record of the layout is counted and
thrown away.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import AsyncIterator
from typing import Annotated

from pydantic import Field, field_validator

from bridge.contract import Frame, Host, PluginSettings, StreamingSource
from bridge.layout import Decoder, RecordRejected, load_layout

_STUBBORN = 25
"""So many late records in a row are a sim that started again."""
_RESTART = 1.0
"""So is a clock that goes back by more than this, s."""


class UdpSettings(PluginSettings):
    """Settings of the UDP source."""

    layout: str
    """Name of a layout (config/sims) or path of a layout file."""
    port: Annotated[int, Field(ge=0, le=65535)]
    """Port to listen on; 0 = any free one (for tests)."""
    host: str = "127.0.0.1"
    """Address to listen on; anything but a loopback address lets other machines send."""
    allowed_senders: tuple[str, ...] = ()
    """Addresses that may send; empty = anyone who can reach the port."""

    @field_validator("host")
    @classmethod
    def _address(cls, host: str) -> str:
        return str(ipaddress.ip_address("127.0.0.1" if host == "localhost" else host))

    @field_validator("allowed_senders")
    @classmethod
    def _addresses(cls, senders: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(str(ipaddress.ip_address(sender)) for sender in senders)


class _Receiver(asyncio.DatagramProtocol):
    """Keeps the newest good record."""

    def __init__(self, decoder: Decoder, senders: frozenset[str], host: Host) -> None:
        self._decoder = decoder
        self._senders = senders
        self._host = host
        self._last: float | None = None
        self._behind = 0
        self.newest: tuple[Frame, bytes] | None = None
        self.arrived = asyncio.Event()

    def datagram_received(self, data: bytes, address: tuple[str | int, ...]) -> None:
        """Decode one datagram; anything wrong with it is counted."""
        if self._senders and address[0] not in self._senders:
            self._host.count("sender_refused")
            return
        if len(data) != self._decoder.size:
            self._host.count("record_size")
            return
        try:
            frame = self._decoder.decode(data)
        except RecordRejected as rejected:
            self._host.count(f"record_{rejected.cause}")
            return
        if not self._in_order(frame.time):
            self._host.count("record_late")
            return
        if self.newest is not None:
            self._host.count("record_superseded")
        self.newest = (frame, data)
        self.arrived.set()

    def _in_order(self, time: float) -> bool:
        last = self._last
        if last is not None and not time > last:
            self._behind += 1
            if not (last - time > _RESTART or self._behind >= _STUBBORN):
                return False
        self._last, self._behind = time, 0
        return True

    def error_received(self, exc: Exception) -> None:
        """Count what the system reports of the socket."""
        self._host.count("socket_error")


class Udp(StreamingSource[UdpSettings]):
    """Records over UDP."""

    Settings = UdpSettings

    def __init__(self, settings: UdpSettings, host: Host) -> None:
        super().__init__(settings, host)
        self._decoder = Decoder(load_layout(host.find_config("sims", settings.layout)))
        self.fields = self._decoder.fields
        self.nominal_rate = self._decoder.nominal_rate
        self._raw: bytes | None = None
        self.port = settings.port
        """The port in use, once frames are awaited."""

    async def frames(self) -> AsyncIterator[Frame]:
        """Yield the newest record whenever there is one."""
        loop = asyncio.get_running_loop()
        senders = frozenset(self.settings.allowed_senders)
        transport, receiver = await loop.create_datagram_endpoint(
            lambda: _Receiver(self._decoder, senders, self.host),
            local_addr=(self.settings.host, self.settings.port),
        )
        self.port = int(transport.get_extra_info("sockname")[1])
        if not ipaddress.ip_address(self.settings.host).is_loopback:
            self.host.notice("source_exposed", address=self.settings.host, port=self.port)
        try:
            while True:
                await receiver.arrived.wait()
                receiver.arrived.clear()
                newest, receiver.newest = receiver.newest, None
                if newest is not None:
                    frame, self._raw = newest
                    yield frame
        finally:
            transport.close()

    def raw(self) -> bytes | None:
        """See `StreamingSource.raw`."""
        return self._raw
