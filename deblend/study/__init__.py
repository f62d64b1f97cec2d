"""Studies: methods compared on scenes with a known answer, one row a run."""
