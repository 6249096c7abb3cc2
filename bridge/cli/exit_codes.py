"""Exit codes of every command; documented in README.md."""

OK = 0
PROBLEM = 1
"""Something was found wrong, or the daemon could not start."""
USAGE = 2
"""The command line makes no sense (the command-line library's own code)."""
NO_DAEMON = 3
"""The command needs a running daemon and there is none."""
ALREADY_RUNNING = 4
"""Another instance runs."""
INTERRUPTED = 130
