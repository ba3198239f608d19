"""How the command line speaks: help pages, numbers that are not what was asked for, failures in a line."""
