"""The edge of the disk: scans and tables in, tables out."""
