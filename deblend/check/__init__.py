"""The input of a line held against itself: headers, fire times, clocks, direct arrivals, noise."""
