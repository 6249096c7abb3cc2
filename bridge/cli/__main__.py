"""``python -m bridge.cli`` is ``draglink``."""

from bridge.cli import main

main()
