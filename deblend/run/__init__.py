"""A line separated on disk: plan, store, blocks handed out, results published."""
