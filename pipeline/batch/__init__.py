"""Doing something many times: how many at once, one child process each, the workers of a cluster."""
