"""Arrays in, numbers out: input check, leakage and loss, likeness, scores and their limits."""
