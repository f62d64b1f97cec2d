"""What a finished folder holds, written and read back: names, maps, samples, findings, verdict."""
