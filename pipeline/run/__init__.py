"""One run, from its plan to its results."""
