"""Before the line: bins, fold, shot timing, dither and source signatures, in numbers."""
