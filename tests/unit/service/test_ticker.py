from __future__ import annotations

import asyncio
import itertools
import sys
import time

import pytest

from bridge.service import ticker as module
from bridge.service.ticker import Ticker

TIMERS = ["kernel", "thread"]


@pytest.fixture(params=TIMERS)
def _timer(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "thread":
        monkeypatch.setattr(module, "kernel_timer", module._SleepingThread)


@pytest.mark.usefixtures("_timer")
async def test_deadlines_are_whole_periods_apart_and_never_early() -> None:
    ticks: list[tuple[int, int, int]] = []
    ticker = Ticker(500.0, lambda *tick: ticks.append(tick))
    ticker.start()
    await asyncio.sleep(0.25)
    ticker.stop()
    count = len(ticks)
    await asyncio.sleep(0.02)
    assert len(ticks) == count, "a tick after stop"
    assert count > 20
    first = ticks[0][0]
    assert all((deadline - first) % ticker.period == 0 for deadline, _, _ in ticks)
    assert all(started >= deadline for deadline, started, _ in ticks)
    assert all(b[0] > a[0] for a, b in itertools.pairwise(ticks)), "no deadline is served twice"


@pytest.mark.usefixtures("_timer")
async def test_late_ticks_are_skipped_and_counted_never_queued() -> None:
    ticks: list[tuple[int, int, int]] = []
    stalled = False

    def callback(deadline: int, started: int, skipped: int) -> None:
        nonlocal stalled
        ticks.append((deadline, started, skipped))
        if len(ticks) == 10 and not stalled:
            stalled = True
            time.sleep(0.05)

    ticker = Ticker(1000.0, callback)
    ticker.start()
    await asyncio.sleep(0.2)
    ticker.stop()
    served = len(ticks)
    skipped = sum(s for _, _, s in ticks)
    assert skipped >= 45
    span = (ticks[-1][0] - ticks[0][0]) // ticker.period
    assert served + skipped - ticks[0][2] == span + 1, "every deadline is either served or counted as skipped"


async def test_the_wait_ahead_is_bounded_by_a_quarter_period() -> None:
    assert Ticker(1000.0, lambda *_: None, ahead=1.0)._ahead == 250_000


@pytest.mark.skipif(sys.platform != "linux", reason="timerfd is Linux's")
async def test_starting_and_stopping_leaves_no_descriptor() -> None:
    import os  # noqa: PLC0415 - only this test looks at descriptors

    before = len(os.listdir("/proc/self/fd"))
    for _ in range(50):
        ticker = Ticker(1000.0, lambda *_: None)
        ticker.start()
        ticker.stop()
        ticker.stop()
    assert len(os.listdir("/proc/self/fd")) == before
