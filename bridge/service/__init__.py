"""The asyncio shell: ticks the force path, watches the settings, publishes state, restarts what fails."""
