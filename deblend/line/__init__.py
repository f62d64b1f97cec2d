"""A line ready for use: the line file, the files that it names, source states, the method."""
