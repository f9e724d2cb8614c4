"""Which glass is it: from photos of lamps and their ghosts to a verdict and a thickness."""
