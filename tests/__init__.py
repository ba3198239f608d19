"""A package, so that `python -m tests.accuracy.fit` finds these and no other `tests` that is installed."""
