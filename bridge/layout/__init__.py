"""The layout language: how one sim's bytes become frames, as data instead of code."""

from bridge.layout.compiler import Decoder, RecordRejected
from bridge.layout.loading import LayoutError, json_schema, load_layout, parse_layout
from bridge.layout.model import Layout
from bridge.layout.stable import StableReader

__all__ = [
    "Decoder",
    "Layout",
    "LayoutError",
    "RecordRejected",
    "StableReader",
    "json_schema",
    "load_layout",
    "parse_layout",
]
