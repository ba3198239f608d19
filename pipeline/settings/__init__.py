"""All settings of a run: which there are, what they may be, and where they are read from."""
