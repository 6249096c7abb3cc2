"""Settings: models, units, loading with line-exact errors, live reload, profiles, places."""

from bridge.settings.describing import changes, json_schema, told, write_default
from bridge.settings.loading import Loaded, load_settings, parse_settings
from bridge.settings.models import Settings
from bridge.settings.parameters import parameters
from bridge.settings.toml_text import Problem

__all__ = [
    "Loaded",
    "Problem",
    "Settings",
    "changes",
    "json_schema",
    "load_settings",
    "parameters",
    "parse_settings",
    "told",
    "write_default",
]
