"""draglink: a headless bridge from slow racing simulations to a modern steering wheel."""

__version__ = "0.1.0"
