"""Light, glass, planes and cameras: pure mathematics, numbers in, numbers out."""
