"""Lines held against each other: a separated line and its benchmark."""
