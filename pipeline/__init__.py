"""Ages opercles: reads flatbed scans of gill-cover bones and counts their winters."""
