"""Parts of solving the path: frames, logs on one axis, noise, pieces, clock, and what to say about them."""
