"""A line separated on disk: `deblend separate`: plan, store, blocks, results."""
