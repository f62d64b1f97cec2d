"""SEG-D revisions 2.1, 3.0 and 3.1: headers, lazy samples and source events."""
