"""Hand over: SEG-Y per source, manifest."""
