"""The whole path of a line: line file, plan, blocks on disk, results."""
