"""Reading: continuous SEG-Y and SEG-D, shot tables, logs and navigation, joined to one record."""
