"""One module a command: the only place that joins rooms."""
