"""Known weak events put into the record of a line, separated, and looked for."""
