"""Separator methods, one file each."""
