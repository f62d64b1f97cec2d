"""Time and addition: the blending operator and its adjoint."""
