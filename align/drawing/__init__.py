"""What all pictures and texts share: the canvas, places for labels, and numbers in words."""
