"""A package, so that `python -m tests.accuracy.study` finds these and no other `tests` that is installed."""
