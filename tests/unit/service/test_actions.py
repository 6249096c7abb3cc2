"""One road for start, reload and stop: properties of the diff."""

from __future__ import annotations

import dataclasses
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from bridge.service import actions
from bridge.service.actions import Wanted, diff

tables = st.dictionaries(st.sampled_from(["name", "layout"]), st.integers(0, 2), max_size=2)
wanted = st.builds(
    Wanted,
    tick_rate=st.sampled_from([500.0, 1000.0]),
    wake_ahead=st.sampled_from([0.0, 60e-6]),
    parameters=st.integers(0, 2),  # only compared
    source=st.none() | st.tuples(st.sampled_from(["udp", "shared_memory"]), tables),
    sinks=st.dictionaries(st.sampled_from(["haptic", "null", "recorder"]), tables),
    bus=st.none() | st.tuples(st.sampled_from(["a", "b"]), st.just("c")),
    user_plugins=st.sampled_from(["", "mine"]),
    log=st.integers(0, 1),
)
maybe = st.none() | wanted


def carry_out(  # noqa: C901 - one case an action
    state: dict[str, Any], todo: list[actions.Action]
) -> dict[str, Any]:
    """A model of the service: what runs after some actions; refuses actions that make no sense."""
    for action in todo:
        match action:
            case actions.SetUpLog(log):
                state["log"] = log
            case actions.IndexPlugins(folder):
                assert "source" not in state
                assert not state.get("sinks")
                state["plugins"] = folder
            case actions.Configure(parameters):
                state["parameters"] = parameters
            case actions.OpenSink(name, table):
                assert name not in state.setdefault("sinks", {})
                state["sinks"][name] = table
            case actions.CloseSink(name):
                del state["sinks"][name]
            case actions.OpenSource(name, table):
                assert "source" not in state
                state["source"] = (name, table)
            case actions.CloseSource(name):
                assert state.pop("source")[0] == name
            case actions.OpenBus(one, two):
                assert "bus" not in state
                state["bus"] = (one, two)
            case actions.CloseBus():
                del state["bus"]
            case actions.StartTicker(rate, ahead):
                assert "ticker" not in state
                state["ticker"] = (rate, ahead)
            case actions.StopTicker():
                del state["ticker"]
    return state


def running(want: Wanted | None) -> dict[str, Any]:
    return carry_out({}, diff(None, want))


@given(maybe, maybe)
def test_any_change_ends_where_a_fresh_start_would(old: Wanted | None, new: Wanted | None) -> None:
    state = carry_out(running(old), diff(old, new))
    state = {key: value for key, value in state.items() if value != {}}
    expected = {key: value for key, value in running(new).items() if value != {}}
    if new is None:  # the log, the numbers and the index of a stopped service are nobody's concern
        state = {k: v for k, v in state.items() if k not in ("log", "parameters", "plugins")}
    assert state == expected


@given(wanted)
def test_nothing_changed_means_nothing_to_do(want: Wanted) -> None:
    assert diff(want, dataclasses.replace(want)) == []


@given(wanted)
def test_a_number_that_changed_touches_no_plugin(want: Wanted) -> None:
    new = dataclasses.replace(want, parameters=7)  # type: ignore[arg-type]  # only compared
    assert diff(want, new) == [actions.Configure(7)]  # type: ignore[arg-type]  # only compared
