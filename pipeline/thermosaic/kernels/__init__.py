"""Arrays in, arrays out: numpy, scipy and numba only."""
