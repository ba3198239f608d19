"""Doing one thing many times: the batch, one child process a scan, the ledger."""
