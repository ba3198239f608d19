"""The local page where people read bones."""
