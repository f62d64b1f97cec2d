"""Pictures and pages from findings and small samples of a line, never from the line itself."""
