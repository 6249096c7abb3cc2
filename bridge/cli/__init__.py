"""The command line: one module a panel."""
