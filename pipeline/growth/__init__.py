"""What ages are for: growth, keys, maturity, good and poor years, mortality. Pure, on records of fish."""
