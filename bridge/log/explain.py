"""From a log to a page that a support person reads: what ran, what went wrong, why probably, what to do.

Reads whole, cut and damaged logs. This module does not know the daemon; the catalogue is all it relies on.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import orjson

from bridge.log.catalogue import CATALOGUE, Event

_WEIGHT = {"error": 0, "warning": 1, "info": 2}
_SHOWN_FACTS = (
    "cause",
    "reason",
    "error",
    "plugin",
    "guard",
    "file",
    "line",
    "key",
    "found",
    "allowed",
    "place",
)


@dataclass
class Finding:
    """One kind of event in one session, with what the catalogue says about it."""

    event: Event
    detail: str
    first: float
    last: float
    times: int


@dataclass
class Session:
    """From one start to the next."""

    facts: dict[str, Any] = field(default_factory=dict)
    began: float = 0.0
    ended: float = 0.0
    in_order: bool = False
    applied: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    opened: list[str] = field(default_factory=list)
    models: list[str] = field(default_factory=list)
    findings: dict[tuple[str, str], Finding] = field(default_factory=dict)

    def ranked(self) -> list[Finding]:
        """Return what went wrong, worst and most frequent first."""
        found = [
            f
            for f in self.findings.values()
            if (f.event.level != "info" or f.event.do) and not self._came(f.event.name, f.detail)
        ]
        return sorted(found, key=lambda f: (_WEIGHT[f.event.level], -f.times, f.first))

    def _came(self, name: str, detail: str) -> bool:
        """What was waited for and came is nothing that went wrong."""
        kind = name.removesuffix("_awaited")
        return kind != name and any(f"plugin {who.partition(' ')[2]}" in detail for who in self.opened)


@dataclass
class Page:
    """What a log tells."""

    path: Path
    sessions: list[Session]
    damaged: int
    """Lines that are no JSON."""

    def data(self) -> dict[str, Any]:
        """Return the page as plain data."""
        return {
            "log": str(self.path),
            "damaged_lines": self.damaged,
            "sessions": [
                {
                    "began": s.began,
                    "ended": s.ended,
                    "in_order": s.in_order,
                    "facts": s.facts,
                    "plugins": s.opened,
                    "models": s.models,
                    "settings_changes": [{"time": t, "changed": c} for t, c in s.applied],
                    "findings": [
                        {
                            "event": f.event.name,
                            "level": f.event.level,
                            "detail": f.detail,
                            "times": f.times,
                            "first": f.first,
                            "last": f.last,
                            "meaning": f.event.meaning,
                            "likely_cause": f.event.cause,
                            "ask": f.event.ask,
                            "do": f.event.do,
                        }
                        for f in s.ranked()
                    ],
                }
                for s in self.sessions
            ],
        }

    def text(self) -> str:
        """Return the page as Markdown, newest session first."""
        lines = [f"# {self.path}", ""]
        if self.damaged:
            lines += [f"{self.damaged} lines are damaged and were left out.", ""]
        if not self.sessions:
            lines.append("There is no session in this log.")
        for number, session in enumerate(reversed(self.sessions)):
            lines += _session_text(session, "newest session" if number == 0 else f"{number} before")
        return "\n".join(lines)


def explain_file(path: Path) -> Page:
    """Read a log file.

    Raises:
        OSError: it cannot be read.
    """
    return explain(path.read_bytes(), path)


def explain(data: bytes, path: Path) -> Page:
    """Read a log's bytes; `path` is only named."""
    sessions: list[Session] = []
    damaged = 0
    for line in data.splitlines():
        if not line.strip():
            continue
        try:
            record = orjson.loads(line)
            name, stamp = str(record.pop("event")), float(record.pop("time"))
        except (ValueError, KeyError, TypeError, AttributeError):
            damaged += 1
            continue
        record.pop("level", None)
        if name == "session_started" or not sessions:
            sessions.append(Session(began=stamp))
        _take(sessions[-1], name, stamp, record)
    return Page(path, sessions, damaged)


def _take(session: Session, name: str, stamp: float, facts: dict[str, Any]) -> None:
    session.ended = stamp
    if name == "session_started":
        session.facts = facts
    elif name == "session_ended":
        session.in_order = True
    elif name == "settings_applied":
        session.applied.append((stamp, facts.get("changed") or {}))
    elif name in ("source_opened", "sink_opened"):
        session.opened.append(f"{name.partition('_')[0]} {facts.get('plugin', '?')}")
    elif name in ("frames_started", "model_chosen"):
        session.models.append(str(facts.get("model", "?")))
    event = CATALOGUE.get(name)
    if event is None:
        event = Event(name, "warning", "An event that this version does not know.", do="Use a newer version.")
    detail = ", ".join(f"{key} {facts[key]}" for key in _SHOWN_FACTS if facts.get(key) not in (None, ""))
    times = facts.get("repeated") or 1
    times = times if isinstance(times, int) else 1
    found = session.findings.get((name, detail))
    if found is None:
        session.findings[(name, detail)] = Finding(event, detail, stamp, stamp, times)
    else:
        found.last, found.times = stamp, found.times + times


def _clock(stamp: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(stamp))


def _session_text(session: Session, title: str) -> list[str]:
    end = "ended in order" if session.in_order else "did not end in order, or still runs"
    lines = [f"## {_clock(session.began)} to {_clock(session.ended)} ({title}; {end})", ""]
    lines += [f"- {key}: {value}" for key, value in session.facts.items()]
    if session.opened:
        lines.append(f"- ran: {', '.join(dict.fromkeys(session.opened))}")
    if session.models:
        lines.append(f"- torque models: {', '.join(dict.fromkeys(session.models))}")
    lines += [f"- settings changed at {_clock(stamp)}: {changed}" for stamp, changed in session.applied]
    ranked = session.ranked()
    lines += ["", "### What went wrong" if ranked else "Nothing went wrong.", ""]
    for finding in ranked:
        event = finding.event
        times = f"{finding.times} times, {_clock(finding.first)} to {_clock(finding.last)}"
        when = times if finding.times > 1 else _clock(finding.first)
        lines += [f"**{event.name}** ({event.level}; {when})", f": {event.meaning}"]
        for word, text in (
            ("detail", finding.detail),
            ("likely cause", event.cause),
            ("ask the user", event.ask),
            ("do", event.do),
        ):
            if text:
                lines.append(f"  - {word}: {text}")
        lines.append("")
    return lines
