"""Contract suites for those who write a reader or a separator method."""
