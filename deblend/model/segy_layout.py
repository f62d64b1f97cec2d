"""Byte tables of SEG-Y headers."""
