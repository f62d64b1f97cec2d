"""Clocks of recorder and source controller held against each other along the line."""
