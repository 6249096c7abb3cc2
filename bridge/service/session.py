"""What a session is made of: settings reduced to what the service acts on, and facts for the log."""

from __future__ import annotations

import hashlib
import platform
import sys
from pathlib import Path

import bridge
from bridge.service.actions import Wanted
from bridge.settings.models import Settings
from bridge.settings.parameters import parameters


def wanted(settings: Settings) -> Wanted:
    """Return what these settings ask of the service."""
    bus = settings.bus
    return Wanted(
        tick_rate=settings.service.tick_rate,
        wake_ahead=settings.service.wake_ahead,
        parameters=parameters(settings),
        source=(settings.source.plugin, settings.source.table()),
        sinks=settings.sinks,
        bus=(bus.host, f"{bus.state_port} {bus.request_port}") if bus.enabled else None,
        user_plugins=settings.service.user_plugins,
        log=settings.log,
    )


def session_facts(settings: Settings, path: Path | None) -> dict[str, object]:
    """Return what support wants to know first: versions, platform, settings."""
    text = settings.model_dump_json()
    return {
        "version": bridge.__version__,
        "python": sys.version.split()[0],
        "implementation": sys.implementation.name,
        "platform": platform.platform(),
        "settings": str(path or "defaults"),
        "settings_digest": hashlib.sha256(text.encode()).hexdigest()[:12],
        "source": settings.source.plugin,
        "sinks": ", ".join(settings.sinks) or "none",
        "peak_torque_nm": settings.wheel.peak_torque,
        "ceiling_nm": parameters(settings).governor.ceiling,
        "strength": settings.shaping.strength,
    }
