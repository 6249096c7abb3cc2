"""For the tests of plugin authors: the conformance suite and a host to run a plugin on."""

from bridge.hosting.conformance import (
    TestHost,
    check_frame,
    check_settings,
    check_sink,
    check_source,
    check_streaming_source,
)

__all__ = [
    "TestHost",
    "check_frame",
    "check_settings",
    "check_sink",
    "check_source",
    "check_streaming_source",
]
