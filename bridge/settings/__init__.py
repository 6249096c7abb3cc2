"""Settings: models, units, loading with line-exact errors, live reload, profiles, places."""

from bridge.settings.loading import Loaded, load_settings, parse_settings
from bridge.settings.models import Settings
from bridge.settings.parameters import parameters
from bridge.settings.toml_text import Problem

__all__ = ["Loaded", "Problem", "Settings", "load_settings", "parameters", "parse_settings"]
