"""A line looked at: any gather of a finished or unfinished folder, served on this machine alone."""
