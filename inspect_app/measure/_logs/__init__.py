"""The parts of the battery check: the clock of a log, and its discharge."""
