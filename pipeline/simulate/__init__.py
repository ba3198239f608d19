"""Bones drawn from known marks. Shares no code and no constant with `bone`."""
