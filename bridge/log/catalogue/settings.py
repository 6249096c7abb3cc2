"""Events of the settings."""

from bridge.log.catalogue.event import Event

SETTINGS_APPLIED = Event("settings_applied", "info", "Changed settings are in force; with what changed.")
SETTINGS_REFUSED = Event(
    "settings_refused",
    "error",
    "A settings file has an error; nothing was changed.",
    "A typing error, a wrong unit, or a value out of range.",
    "",
    "Mend the line that is named and save; it is read at once.",
)
SETTINGS_UNWATCHED = Event(
    "settings_unwatched",
    "warning",
    "The folder of the settings cannot be watched; changes apply only after a restart.",
    "The folder was removed or is on a system without change notices.",
    "Where does the settings file lie?",
    "Move the file to a local folder.",
)
