"""Photo files: their pixels, what they say of their camera, and copies without private facts."""
