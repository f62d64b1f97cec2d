"""Transforms of many short columns side by side, one in each lane of a vector."""
