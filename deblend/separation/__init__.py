"""Separation: the loop, its schedule, patches, and the coherence filters in `methods`."""
