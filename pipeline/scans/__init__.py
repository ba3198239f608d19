"""The one strict reader of scans."""
