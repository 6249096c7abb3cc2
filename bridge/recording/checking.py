"""Says of a recording what it holds, what is whole and what is lost, in words.

This module does not know the command that shows them.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from bridge.contract import Guard
from bridge.recording.reader import Recording, read_recording

_MOST_NAMED = 10


class Checked(NamedTuple):
    """The result."""

    facts: list[str]
    """What it holds."""
    problems: list[str]
    """What is lost or damaged; empty for a whole recording."""

    @property
    def whole(self) -> bool:
        """Whether nothing is lost."""
        return not self.problems


def check_recording(path: Path) -> Checked:
    """Read a whole file and say what is in it and what is not.

    Raises:
        NotARecording: not an MCAP file of draglink, or of a newer format.
        OSError: it cannot be read.
    """
    recording = read_recording(path)
    return Checked(_facts(recording), _problems(recording))


def _facts(recording: Recording) -> list[str]:
    about, duration = recording.about, recording.duration
    ticks, frames = len(recording.ticks["now"]), len(recording.frames)
    rates = (
        f" ({(ticks - 1) / duration:.0f} ticks, {frames / duration:.1f} frames a second)" if duration else ""
    )
    facts = [
        f"{duration:.1f} s, {ticks} ticks, {frames} frames, {len(recording.inputs)} inputs, "
        f"{len(recording.events)} events{rates}",
        f"made by draglink {about.get('version', '?')} on {about.get('platform', '?')}",
    ]
    if ticks:
        guards = recording.ticks["guards"]
        clipped = sum(1 for bits in guards if bits & Guard.CEILING)
        acted = [
            f"{str(guard.name).lower()} {count}"
            for guard in Guard
            if guard and (count := sum(1 for bits in guards if bits & guard))
        ]
        facts.append(f"clipped in {clipped / ticks:.1%} of the ticks; guards: {', '.join(acted) or 'none'}")
        if recording.ticks["sequence"][0] > 0:
            facts.append("it begins within a drive: what the force path had in memory then is not in it")
    return facts


def _problems(recording: Recording) -> list[str]:
    problems = list(recording.lost)
    problems += [
        f"the disk was too slow before tick {row['before']}: {row.get('ticks', 0)} ticks, "
        f"{row.get('frames', 0)} frames and {row.get('others', 0)} inputs or events were left out"
        for row in recording.drops
    ]
    gaps = recording.gaps()
    problems += [f"ticks {first} to {last} are missing" for first, last in gaps[:_MOST_NAMED]]
    if len(gaps) > _MOST_NAMED:
        problems.append(f"and {len(gaps) - _MOST_NAMED} further gaps")
    return problems
