"""The input of a line held against itself: fire times, clocks, arrivals, near-field hydrophones."""
