"""Draws bones of many makes, reads them, and fits the numbers of configs/fitted.toml to their known annuli."""
