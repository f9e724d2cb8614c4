"""Planning a mirror before it is bought: sight lines, angle, seam, ghosts, glass, and what cures a trouble."""
