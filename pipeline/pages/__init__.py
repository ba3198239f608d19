"""Tables and plots to pages."""
