"""Stored results turned into things to look at: overlays, tray sheets, pages."""
