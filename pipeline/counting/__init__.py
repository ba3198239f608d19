"""The sequence model: which candidates are annuli, and the distribution of the count. Pure."""
