"""Results judged: leakage and loss, likeness, scores and their limits. Arrays in, numbers out."""
