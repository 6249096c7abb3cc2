"""Ways to wake a thread once a tick: latency until it runs, and what waking costs the tick."""

from __future__ import annotations

import _thread
import queue
import threading
import time
from collections.abc import Callable

TICKS = 3000


def measure(name: str, wake: Callable[[], object], wait: Callable[[], object]) -> None:
    """Wake a thread every millisecond by one way; print percentiles, us."""
    box = [0]
    ending = [False]
    latency: list[int] = []
    cost: list[int] = []

    def work() -> None:
        while True:
            wait()
            if ending[0]:
                return
            latency.append(time.monotonic_ns() - box[0])

    thread = threading.Thread(target=work)
    thread.start()
    due = time.monotonic_ns()
    for _ in range(TICKS):
        due += 1_000_000
        time.sleep(max(0.0, (due - time.monotonic_ns()) / 1e9))
        began = box[0] = time.monotonic_ns()
        wake()
        cost.append(time.monotonic_ns() - began)
    ending[0] = True
    wake()
    thread.join()
    latency.sort()
    cost.sort()
    late = [latency[int(share * (len(latency) - 1))] / 1e3 for share in (0.5, 0.99)]
    paid = [cost[int(share * (len(cost) - 1))] / 1e3 for share in (0.5, 0.99)]
    shown = (
        f"latency p50 {late[0]:6.1f} p99 {late[1]:6.1f} us   cost p50 {paid[0]:5.1f} p99 {paid[1]:5.1f} us"
    )
    print(f"{name:12s} {shown}")


def main() -> None:
    """Compare them."""
    lock = _thread.allocate_lock()
    lock.acquire()

    def release() -> None:
        try:
            lock.release()
        except RuntimeError:
            return

    measure("raw lock", release, lock.acquire)
    simple: queue.SimpleQueue[None] = queue.SimpleQueue()
    measure("SimpleQueue", lambda: simple.put(None), simple.get)
    event = threading.Event()

    def wait() -> None:
        event.wait()
        event.clear()

    measure("Event", event.set, wait)


if __name__ == "__main__":
    main()
