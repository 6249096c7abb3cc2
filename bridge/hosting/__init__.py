"""Find, load, isolate and restart plugins; the conformance suite."""
