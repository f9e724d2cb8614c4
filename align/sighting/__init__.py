"""From a photo's pixels to the corners of the sheet and of each of its reflections."""
