"""Stored readings to overlays and tray sheets."""
