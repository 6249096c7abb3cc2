"""State out and requests in over ZeroMQ, on loopback only."""

from bridge.bus.client import BusClient, NoDaemon
from bridge.bus.server import Bus

__all__ = ["Bus", "BusClient", "NoDaemon"]
