"""Agreement between readers, and between readers and machine. Pure, on tables."""
