"""Saltmarsh: an invented 25 Hz endurance sim on a tidal-flat circuit, for demonstrations and as a check.

It shares no code with draglink: its physics is written apart, from the published forms named beside it.
"""
