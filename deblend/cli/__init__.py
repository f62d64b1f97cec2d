"""The command line: each command makes one library call and shows what came of it."""
